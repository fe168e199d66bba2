"""Random block effects: incomplete blocks, terms across blocks, small-sample inference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.domain.observations import Observations
from trialkit.statistics.contrasts import LinearContrast
from trialkit.statistics.fixed_effects import (
    Columns,
    Terms,
    assemble,
    block_indicators,
    condition_columns,
    nuisance_columns,
)
from trialkit.statistics.mixed_blocks import BlockFit, BlockRotation, fit_blocks
from trialkit.statistics.mixed_components import ComponentsFit, fit_components, group_pattern
from trialkit.statistics.mixed_small_sample import Covariance, FTest, SmallSample, small_sample
from trialkit.statistics.periods import measurements_per_period, period_means, period_of

# Measurements of one period closer than this share of the whole range differ by rounding.
_EQUAL = 1e-9


@dataclass(frozen=True, eq=False)
class MixedFit:
    """REML fit of one trial with a random block effect.

    ``block`` is the block variance, ``residual`` that of one measurement around its block with
    ``residual_df``.
    """

    columns: Columns
    fit: BlockFit | ComponentsFit
    block: float
    residual: float
    residual_df: float
    left_out: tuple[str, ...]

    @property
    def at_boundary(self) -> bool:
        """Whether the block variance is estimated at zero."""
        return self.block == 0

    def contrast(
        self, condition: str, versus: str, *, small_sample: str = "kenward-roger"
    ) -> LinearContrast:
        """Condition minus another with ``kenward-roger`` or ``satterthwaite`` df."""
        weights = self.columns.contrast(condition, versus)
        return self.fit.contrast(weights, small_sample=small_sample)

    def f_test(self) -> FTest:
        """Kenward-Roger F of the hypothesis that all conditions are equal."""
        return self.by_matrices().f_test(self.columns.joint())

    def by_matrices(self) -> SmallSample:
        """The same inference through full matrices, as the joint test needs it."""
        if isinstance(self.fit, ComponentsFit):
            return self.fit.inference
        rotation = self.fit.rotation
        G = np.array([rotation.Z @ rotation.Z.T, np.eye(len(rotation.X))])
        V = self.block * G[0] + self.residual * G[1]
        return small_sample(self.fit.y, rotation.X, Covariance(V, G))


def fit_mixed(obs: Observations, terms: Terms, *, guarded: bool = False) -> MixedFit:
    """Fit y = mean + condition + terms + block + error with random blocks.

    Several measurements of one period share a period effect: when every period has the same
    number their means carry everything, otherwise the period gets a variance of its own. With
    ``guarded`` a block variance of zero does not make the noise smaller than it is inside blocks
    (`BlockFit.guarded`).

    Raises
    ------
    UnanswerableError
        When a condition is not estimable, or the noise cannot be split or is not there.
    """
    single = _means_say_it_all(obs)
    if single:
        obs = period_means(obs)
    columns, left_out = assemble(
        nuisance_columns(obs, terms), condition_columns(obs), np.ones((obs.n, 1))
    )
    if not single:
        return _with_periods(obs, columns, tuple(left_out))
    fit = fit_blocks(obs.value, BlockRotation.of(columns.matrix, block_indicators(obs.block)))
    fit = fit.guarded() if guarded else fit
    return MixedFit(columns, fit, fit.block, fit.residual, fit.residual_df, tuple(left_out))


def _means_say_it_all(obs: Observations) -> bool:
    """Whether every period has the same number of measurements, or repeats that never differ."""
    repeats = measurements_per_period(obs)
    if repeats.min() == repeats.max():
        return True
    inside = obs.value - period_means(obs).value[period_of(obs)]
    return bool(np.abs(inside).max() <= _EQUAL * np.ptp(obs.value))


def _with_periods(obs: Observations, columns: Columns, left_out: tuple[str, ...]) -> MixedFit:
    patterns = [group_pattern(obs.block), group_pattern(period_of(obs)), np.eye(obs.n)]
    fit = fit_components(obs.value, columns.matrix, patterns)
    # One measurement varies around its block by the chance of its period and its own.
    residual = float(fit.theta[1] + fit.theta[2])
    weights = np.array([0.0, 1.0, 1.0])
    df = 2 * residual**2 / float(weights @ fit.inference.W @ weights)
    return MixedFit(columns, fit, float(fit.theta[0]), residual, df, left_out)
