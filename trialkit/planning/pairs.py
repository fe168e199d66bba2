"""Trials of pairs without further terms: everything follows from differences and sums."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.fits import Fits
from trialkit.planning.quantiles import Floats
from trialkit.planning.trials import Trials


def differences(trials: Trials) -> tuple[Floats, NDArray[np.bool_]]:
    """Condition minus reference of each pair, and which pairs hold both; (pairs, trials) each."""
    d = trials.y[1::2] - trials.y[0::2]
    d *= trials.codes[1::2] * 2.0 - 1.0
    both = trials.codes[1::2] != trials.codes[0::2]
    if trials.present is not None:
        both &= trials.present[1::2] & trials.present[0::2]
    return d, both


def fit_pairs(trials: Trials) -> Fits:
    """The paired t of each trial over its complete pairs (Student 1908)."""
    d, both = differences(trials)
    if both.all():
        mean, squares, n = d.mean(axis=0), np.einsum("ij,ij->j", d, d), len(d)
        if n == 1:
            return Fits(mean, np.full(mean.size, np.inf), 2.0, 0.0)
        return Fits(mean, (squares - n * mean**2) / (2 * (n - 1)), 2 / n, n - 1.0)
    d *= both
    pairs = both.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(pairs > 0, d.sum(axis=0) / pairs, 0.0)
        spread = np.abs(np.einsum("ij,ij->j", d, d) - pairs * mean**2)
        residual = np.where(pairs > 1, spread / 2 / (pairs - 1), np.inf)
        return Fits(mean, residual, 2 / pairs, np.maximum(pairs - 1.0, 0.0))


def fit_complete_pairs_mixed(trials: Trials) -> Fits | None:
    """REML with random blocks and Kenward-Roger error in closed form; None with a pair missing.

    Squares within and between pairs have B - 1 degrees of freedom each. Where those between are
    the smaller, the block variance is estimated at zero and both are pooled; the error of the
    contrast comes from within pairs, whose B - 1 df Kenward and Roger keep either way.
    """
    if trials.y.shape[0] < 4:
        return None
    d, both = differences(trials)
    if not both.all():
        return None
    n = len(d)
    mean, sums = d.mean(axis=0), trials.y[1::2] + trials.y[0::2]
    within = (np.einsum("ij,ij->j", d, d) - n * mean**2) / 2
    between = (np.einsum("ij,ij->j", sums, sums) - sums.sum(axis=0) ** 2 / n) / 2
    residual = np.minimum(within, (within + between) / 2) / (n - 1)
    return Fits(mean, residual, 2 / n, n - 1.0)
