"""Differences within complete blocks, for many trials at once: paired t and fixed blocks."""

from __future__ import annotations

import numpy as np

from trialkit.planning.fits import Fits
from trialkit.planning.model_columns import Terms, model_columns
from trialkit.planning.pairs import fit_pairs
from trialkit.planning.quantiles import Floats
from trialkit.planning.small_matrices import factorise, place, squares
from trialkit.planning.trials import Trials


def fit_fixed_blocks(trials: Trials, terms: Terms) -> Fits:
    """Fit each trial by least squares with one effect per complete block.

    The rule of ``trialkit.statistics.paired``: incomplete blocks are left out, several periods of
    one condition in a block count as their mean. With two conditions and no further term this is
    the paired t (Student 1908).
    """
    if trials.conditions == 2 and trials.block_size == 2 and not terms.any:
        return fit_pairs(trials)
    cells, complete = _cell_means(trials, terms)
    # axes: (column, block, condition, trial)
    q, _, size, _ = cells.shape
    centred = (cells - cells.mean(axis=2, keepdims=True)) * complete[:, None]
    raw = np.einsum("ibkr,bkr->ir", cells**2, np.broadcast_to(complete[:, None], cells.shape[1:]))
    factors = factorise(squares(centred.reshape(q, -1, cells.shape[-1])), raw)
    df = complete.sum(axis=0) * (size - 1) - factors.kept[:-1].sum(axis=0)
    ok = factors.kept[q - trials.conditions : q - 1].all(axis=0) & (df > 0)
    unit_variance = factors.inverse[q - 2]
    spread = np.maximum(factors.pivots[q - 1], 0.0) / np.maximum(df, 1.0)
    return Fits(
        np.where(ok, factors.L[place(q - 1, q - 2)], 0.0),
        np.where(ok, spread * _periods_per_cell(trials), np.inf),
        np.where(ok, unit_variance / _periods_per_cell(trials), np.inf),
        np.where(ok, df, 0.0),
    )


def _periods_per_cell(trials: Trials) -> float:
    """How many periods of one condition a block holds, where nothing is missed."""
    return trials.block_size / trials.conditions


def _cell_means(trials: Trials, terms: Terms) -> tuple[Floats, Floats]:
    """Cell means (column, block, condition, trial), complete blocks (block, trial)."""
    columns = model_columns(trials, terms)
    q, periods, n = columns.shape
    blocks = periods // trials.block_size
    by_block = columns.reshape(q, blocks, trials.block_size, n)
    codes = trials.codes.reshape(blocks, trials.block_size, n)
    here = np.ones_like(codes, dtype=bool)
    if trials.present is not None:
        here = trials.present.reshape(codes.shape)
    cells = np.empty((q, blocks, trials.conditions, n))
    count = np.empty((blocks, trials.conditions, n))
    for code in range(trials.conditions):
        mine = (codes == code) & here
        count[:, code] = mine.sum(axis=1)
        total = np.einsum("ibpr,bpr->ibr", by_block, mine.astype(float))
        cells[:, :, code] = total / np.maximum(count[:, code], 1.0)
    return cells, (count > 0).all(axis=1).astype(float)
