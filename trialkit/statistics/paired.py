"""Differences within complete blocks: the paired t of two conditions, fixed blocks for more."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from trialkit.domain.observations import Observations
from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.contrasts import LinearContrast, from_variance
from trialkit.statistics.fixed_effects import (
    Array,
    Columns,
    Terms,
    assemble,
    block_indicators,
    condition_columns,
    nuisance_columns,
)

# Residuals smaller than this share of the values are rounding, not noise.
_NO_NOISE = 1e-10


@dataclass(frozen=True, eq=False)
class FixedBlocksFit:
    """Least squares with one effect per block, on block-by-condition means.

    ``beta`` and ``unscaled`` (p, p) belong to ``columns``; ``variance`` is the residual variance
    of one block-by-condition mean with ``df`` degrees of freedom; ``replicates`` the (harmonic)
    mean number of periods behind one of these means.
    """

    columns: Columns
    beta: Array
    unscaled: Array
    variance: float
    df: int
    blocks: int
    replicates: float
    left_out: tuple[str, ...]

    def contrast(self, condition: str, versus: str) -> LinearContrast:
        """Condition minus another, with its t."""
        c = self.columns.contrast(condition, versus)
        return from_variance(
            float(c @ self.beta), self.variance * float(c @ self.unscaled @ c), self.df
        )

    def f_test(self) -> tuple[float, int, int]:
        """F of the hypothesis that all conditions are equal, with its two degrees of freedom."""
        L = self.columns.joint()
        effects = L @ self.beta
        F = effects @ np.linalg.solve(L @ self.unscaled @ L.T, effects) / (len(L) * self.variance)
        return float(F), len(L), self.df

    def all_pairs_p(self, condition: str, versus: str) -> float:
        """Two-sided p of one of all pairwise comparisons (Tukey's studentised range)."""
        one = self.contrast(condition, versus)
        spread = abs(one.estimate) / one.se * sqrt(2)
        return float(stats.studentized_range.sf(spread, len(self.columns.levels), self.df))


def complete_blocks(obs: Observations) -> NDArray[np.bool_]:
    """Mark (n,) the rows whose block holds every condition of the trial."""
    mask = np.zeros(obs.n, dtype=bool)
    for block in np.unique(obs.block):
        rows = obs.block == block
        if set(obs.condition[rows].tolist()) >= set(obs.levels):
            mask |= rows
    return mask


def fit_fixed_blocks(obs: Observations, terms: Terms) -> FixedBlocksFit:
    """Estimate conditions from the differences inside complete blocks.

    With two conditions this is the paired t: mean of the B differences, SE = sd / sqrt(B), B - 1
    df (Student 1908, Biometrika 6:1); each nuisance column costs one more. Several periods of a
    condition in one block are averaged first, so that no block counts more than once.

    Raises
    ------
    UnanswerableError
        When a condition is not estimable, or no noise is left to judge it by.
    """
    mask = complete_blocks(obs)
    nuisance, conditions = nuisance_columns(obs, terms), condition_columns(obs)
    averaging = _cell_means(obs, mask)
    block = np.array([obs.block[np.flatnonzero(row)[0]] for row in averaging], dtype=np.str_)
    if not len(averaging):
        raise UnanswerableError(_no_complete_block(obs))
    start = block_indicators(block)
    columns, left_out = assemble(
        _averaged(nuisance, averaging), _averaged(conditions, averaging), start
    )
    return _least_squares(averaging, obs, columns, tuple(left_out))


def block_differences(obs: Observations, condition: str) -> Array:
    """Differences (blocks,) of condition minus reference inside the blocks that hold both."""
    found = []
    for block in np.unique(obs.block):
        rows = obs.block == block
        own = obs.value[rows & (obs.condition == condition)]
        reference = obs.value[rows & (obs.condition == obs.reference)]
        if own.size and reference.size:
            found.append(own.mean() - reference.mean())
    return np.array(found, dtype=float)


def _least_squares(
    averaging: Array, obs: Observations, columns: Columns, left_out: tuple[str, ...]
) -> FixedBlocksFit:
    X, y = columns.matrix, averaging @ obs.value
    df = len(y) - X.shape[1]
    if df < 1:
        raise UnanswerableError(_no_noise(f"{len(y)} block means for {X.shape[1]} effects"))
    Q, R = np.linalg.qr(X)
    # The mean is taken out first: certified data with many equal leading digits need it.
    centre = y.mean()
    residual = (y - centre) - Q @ (Q.T @ (y - centre))
    beta = np.linalg.solve(R, Q.T @ (y - centre))
    if np.linalg.norm(residual) <= _NO_NOISE * max(float(np.abs(y).max()), 1e-300):
        raise UnanswerableError(_no_noise("differences that are all equal"))
    root = np.linalg.inv(R)
    return FixedBlocksFit(
        columns=columns,
        beta=beta,
        unscaled=root @ root.T,
        variance=float(residual @ residual) / df,
        df=df,
        blocks=len(y) // len(obs.levels),
        replicates=float(1 / np.mean(np.sum(averaging**2, axis=1))),
        left_out=left_out,
    )


def _cell_means(obs: Observations, mask: NDArray[np.bool_]) -> Array:
    rows = []
    for block in np.unique(obs.block[mask]):
        for level in obs.levels:
            cell = (obs.block == block) & (obs.condition == level)
            rows.append(cell / cell.sum())
    return np.array(rows, dtype=float).reshape(len(rows), obs.n)


def _averaged(columns: Columns, averaging: Array) -> Columns:
    return Columns(averaging @ columns.matrix, columns.names, columns.levels)


def _no_complete_block(obs: Observations) -> Problem:
    return Problem(
        where="blocks",
        found=f"no block that holds {', '.join(obs.levels)}",
        wrong="there is no difference inside a block to average.",
        fix="use method mixed, or check the column that names the blocks.",
    )


def _no_noise(found: str) -> Problem:
    return Problem(
        where="outcome",
        found=found,
        wrong="no noise is left to judge a difference by.",
        fix="repeat the conditions in more blocks, or give a typical error with its degrees of "
        "freedom and use method bayes.",
    )
