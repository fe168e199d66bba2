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
from trialkit.statistics.mixed_small_sample import Covariance, FTest, SmallSample, small_sample


@dataclass(frozen=True, eq=False)
class MixedFit:
    """REML fit of one trial with a random block effect."""

    columns: Columns
    fit: BlockFit
    left_out: tuple[str, ...]

    @property
    def at_boundary(self) -> bool:
        """Whether the block variance is estimated at zero."""
        return self.fit.ratio == 0

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
        rotation = self.fit.rotation
        G = np.array([rotation.Z @ rotation.Z.T, np.eye(len(rotation.X))])
        V = self.fit.block * G[0] + self.fit.residual * G[1]
        return small_sample(self.fit.y, rotation.X, Covariance(V, G))


def fit_mixed(obs: Observations, terms: Terms) -> MixedFit:
    """Fit y = mean + condition + terms + block + error with random blocks.

    Raises
    ------
    UnanswerableError
        When a condition is not estimable, or the noise cannot be split or is not there.
    """
    columns, left_out = assemble(
        nuisance_columns(obs, terms), condition_columns(obs), np.ones((obs.n, 1))
    )
    rotation = BlockRotation.of(columns.matrix, block_indicators(obs.block))
    return MixedFit(columns, fit_blocks(obs.value, rotation), tuple(left_out))
