"""Several outcomes at once: p values that keep the chance of any false claim at its level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.flips import flip_set

Floats = NDArray[np.float64]


def holm(p_values: Sequence[float] | Floats) -> Floats:
    """Adjust p values so that 5 % holds for all of them together (Holm 1979, Scand J Stat 6:65).

    Valid whatever the dependence between outcomes. Returned in the order given.

    Raises
    ------
    RequestError
        When a value is not a probability.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).round(10).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.asarray(p_values, dtype=np.float64)
    if p.ndim != 1 or not np.all((p >= 0) & (p <= 1)):
        raise RequestError(
            Problem(
                where="p values",
                found=", ".join(f"{x:g}" for x in p.ravel()),
                wrong="a p value lies between 0 and 1.",
                fix="give one p value per outcome, leaving out outcomes without one.",
            )
        )
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted


@dataclass(frozen=True, eq=False)
class JointTest:
    """Randomisation test of several outcomes together; arrays are (k,), one entry per outcome.

    ``t`` are the paired t statistics, ``p_adjusted`` keeps the family's level and ``p_single`` is
    each outcome's own. ``mc_error`` (k,) is that of ``p_adjusted``, None for an exact test.
    """

    t: Floats
    p_single: Floats
    p_adjusted: Floats
    exact: bool
    smallest_p: float
    mc_error: Floats | None


def joint_test(differences: Floats, *, draws: int = 9_999, seed: int = 0) -> JointTest:
    """Test several outcomes of randomised pairs by flipping all outcomes of a pair together.

    Step-down largest |t| (Westfall & Young 1993, Resampling-Based Multiple Testing, algorithm
    4.1): correlation between outcomes is kept, and the smallest p that can be reached stays that
    of one outcome, where Holm multiplies it by their number.

    Parameters
    ----------
    differences : (n, k)
        Condition minus reference of each pair, one column per outcome, nothing missing.
    draws, seed : int
        Sampled patterns and their seed when there are more than 16 pairs.

    Raises
    ------
    RequestError
        When a difference is missing.
    UnanswerableError
        With fewer than two pairs.
    """
    d = np.asarray(differences, dtype=np.float64)
    _check(d)
    n, k = d.shape
    flips = flip_set(n, draws=draws, seed=seed)
    # Share of an outcome's squares that its mean explains: |t| grows with it, the same way for
    # all outcomes, and unlike t it stays finite.
    squares = (d**2).sum(axis=0)
    shares = (flips.signs @ d) ** 2 / np.where(squares > 0, n * squares, 1.0)
    observed = shares[0] * (1 - 1e-9)
    order = np.argsort(-shares[0], kind="stable")
    # (pattern, outcome): largest share among this outcome and all that come after it.
    largest = np.maximum.accumulate(shares[:, order[::-1]], axis=1)[:, ::-1]
    steps = np.maximum.accumulate((largest >= observed[order]).mean(axis=0))
    adjusted = np.empty(k)
    adjusted[order] = steps
    with np.errstate(divide="ignore"):
        t = np.sign(d.sum(axis=0)) * np.sqrt((n - 1) * shares[0] / (1 - np.minimum(shares[0], 1)))
    m = flips.signs.shape[0] - 1
    return JointTest(
        t=t,
        p_single=(shares >= observed).mean(axis=0),
        p_adjusted=adjusted,
        exact=flips.exact,
        smallest_p=flips.smallest_p,
        mc_error=None if flips.exact else np.sqrt(adjusted * (1 - adjusted)) / sqrt(m),
    )


def _check(d: Floats) -> None:
    if d.ndim != 2 or not np.all(np.isfinite(d)):
        raise RequestError(
            Problem(
                where="differences",
                found="a table with gaps, or no table",
                wrong="pairs are flipped for all outcomes together.",
                fix="leave out pairs in which an outcome is missing.",
            )
        )
    if d.shape[0] < 2 or d.shape[1] < 1:
        raise UnanswerableError(
            Problem(
                where="differences",
                found=f"{d.shape[0]} pairs of {d.shape[1]} outcomes",
                wrong="nothing can be told from fewer than two pairs.",
                fix="run more pairs.",
            )
        )
