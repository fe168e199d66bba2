"""Intervals of the sign-flip test of randomised pairs, for many trials at once.

The limits are order statistics of the means over non-empty subsets of the differences (Hartigan
1969, J Am Stat Assoc 64:1303): exact for all subsets, and valid for a random sample of them, which
is taken where there are too many.
"""

from __future__ import annotations

from functools import lru_cache
from math import floor

import numpy as np

from trialkit.errors import Problem, UnanswerableError
from trialkit.planning.fits import Intervals
from trialkit.planning.pairs import differences
from trialkit.planning.quantiles import Floats
from trialkit.planning.trials import Trials

_ALL_SUBSETS_UP_TO = 10
_SAMPLED_SUBSETS = 1023
_TOGETHER = 256
"""Trials whose subset means are held at once (2 MB)."""


def flip_intervals(trials: Trials, level: float) -> Intervals:
    """Intervals of ``level`` and 2 * level - 1; infinite where the design can reach no such level.

    Raises
    ------
    UnanswerableError
        When the trials are not made of pairs.
    """
    if trials.block_size != 2 or trials.conditions != 2:
        raise UnanswerableError(
            Problem(
                where="analysis.method",
                found="randomisation with blocks other than pairs",
                wrong="only the sign flips of pairs are fast enough to be simulated.",
                fix="plan with method auto; its intervals are close to those of the test.",
            )
        )
    d, used = differences(trials)
    pairs = used.sum(axis=0)
    ends = np.empty((4, d.shape[1]))
    for n in np.unique(pairs):
        places = np.flatnonzero(pairs == n)
        # axes (pair, trial): the used pairs of each of these trials, which are equally many
        kept = d[:, places].T[used[:, places].T].reshape(places.size, n).T
        ends[:, places] = _limits(kept, level)
    return Intervals(*ends)


def _limits(d: Floats, level: float) -> Floats:
    n, trials = d.shape
    ends = np.empty((4, trials))
    ends[0::2], ends[1::2] = -np.inf, np.inf
    if n == 0:
        return ends
    subsets = _subset_means(n)
    total = subsets.shape[1] + 1
    ranks = [floor((1 - x) / 2 * total + 1e-9) for x in (level, 2 * level - 1)]
    for start in range(0, trials, _TOGETHER):
        part = slice(start, start + _TOGETHER)
        means = np.sort(d[:, part].T @ subsets, axis=1)
        for row, rank in zip((0, 2), ranks, strict=True):
            if rank:
                ends[row, part], ends[row + 1, part] = means[:, [rank - 1, total - 1 - rank]].T
    return ends


@lru_cache(maxsize=32)
def _subset_means(n: int) -> Floats:
    """Weights (n, subsets) of the means over subsets of n pairs."""
    if n <= _ALL_SUBSETS_UP_TO:
        inside = (np.arange(1, 2**n)[:, None] >> np.arange(n)) & 1
    else:
        inside = np.random.default_rng(n).integers(0, 2, size=(_SAMPLED_SUBSETS, n))
        inside[inside.sum(axis=1) == 0, 0] = 1
    weights: Floats = (inside / inside.sum(axis=1, keepdims=True)).T
    return np.ascontiguousarray(weights)
