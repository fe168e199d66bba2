"""Whole curves compared over time: where two conditions differ, and how far that can be trusted.

The largest |t| over all times is compared with the largest each re-randomisation of whole curves
would have given (Westfall & Young 1993; Blair & Karniski 1993, Psychophysiology 30:518): one
test, not a row of them. A row of pointwise tests would find a difference in most trials without
any.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.observations import Observations
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.flips import flip_set
from trialkit.statistics.randomisation_replay import nuisance_columns

Floats = NDArray[np.float64]
Codes = NDArray[np.integer]


# A replay of whole curves costs a row of times per sequence.
_MOST_REPLAYED, _SAMPLED = 65_536, 19_999


@dataclass(frozen=True, slots=True)
class DifferingStretch:
    """A stretch of time in which the curves differ, with the largest difference in it."""

    start_s: float
    end_s: float
    mean_difference: float
    largest_difference: float
    largest_at_s: float


@dataclass(frozen=True, eq=False)
class TraceDifference:
    """Difference of two sets of curves over time; arrays are (g,), one entry per time.

    ``low`` and ``high`` are a band that holds the whole true difference with chance ``level``;
    infinite where too few sequences exist for one. ``p`` is that of the largest |t|;
    ``p_at`` holds, for each time, the p that the largest |t| anywhere would reach what was seen
    there. ``stretches`` are where ``p_at`` is at most 1 - ``level``.
    """

    time_s: Floats
    difference: Floats
    low: Floats
    high: Floats
    level: float
    p: float
    p_at: Floats
    stretches: tuple[DifferingStretch, ...]
    exact: bool
    n_sequences: int
    smallest_p: float
    mc_error: float | None


@dataclass(frozen=True, eq=False)
class _Reshuffles:
    """How each re-randomisation weighs the curves: row 0 is the sequence that was run.

    The estimate of row w is ``weights[w] @ curves / information[w]``, and curves are free of
    everything the estimate is adjusted for, with ``df`` degrees of freedom left for noise.
    """

    weights: Floats
    information: Floats
    df: int
    exact: bool
    distinct: float


def paired_traces(
    differences: Floats,
    *,
    time_s: Floats,
    level: float = 0.95,
    draws: int = 9_999,
    seed: int = 0,
) -> TraceDifference:
    """Compare the curves of two conditions in randomised pairs.

    Parameters
    ----------
    differences : (n, g)
        Condition minus reference of each pair, on a common grid of times without gaps.
    time_s : (g,)
        The grid, in seconds from the common start.
    level : float
        Level of the band.
    draws, seed : int
        Sampled sign patterns and their seed when there are more than 16 pairs.

    Raises
    ------
    RequestError
        When curves and grid do not match or a curve has gaps.
    UnanswerableError
        With fewer than two pairs.
    """
    d, time_s = _checked(differences, time_s)
    n = d.shape[0]
    flips = flip_set(n, draws=draws, seed=seed)
    shuffles = _Reshuffles(
        flips.signs, np.full(flips.signs.shape[0], float(n)), n - 1, flips.exact, flips.smallest_p
    )
    return _compare(d, shuffles, time_s, level)


def replayed_traces(
    curves: Floats,
    obs: Observations,
    sequences: Codes,
    *,
    exact: bool,
    time_s: Floats,
    level: float = 0.95,
) -> TraceDifference:
    """Compare the curves of two conditions by replaying the sequences the trial could have had.

    Parameters
    ----------
    curves : (periods, g)
        One curve per row of ``obs``, on a common grid of times without gaps.
    obs : Observations
        Condition and block of each measured period (two conditions).
    sequences : (m, periods) of 0 and 1
        For each possible sequence whether a period has the condition (1) or the reference (0).
    exact : bool
        Whether these are all sequences, or a sample. Of more than 65,536 a fixed random sample
        of 19,999 is replayed.
    time_s : (g,)
        The grid, in seconds.
    level : float
        Level of the band.

    Raises
    ------
    RequestError
        When shapes do not match or there are more than two conditions.
    UnanswerableError
        When no noise or no difference can be estimated.
    """
    y, time_s = _checked(curves, time_s)
    if len(obs.levels) != 2 or y.shape[0] != obs.n or sequences.shape[1:] != (obs.n,):
        raise RequestError(
            Problem(
                where="curves",
                found=f"{y.shape[0]} curves and {len(obs.levels)} conditions",
                wrong=f"{obs.n} periods were measured, and two conditions can be compared.",
                fix="give one curve and one column per measured period of two conditions.",
            )
        )
    if len(sequences) > _MOST_REPLAYED:
        chosen = np.random.default_rng(0).choice(len(sequences), _SAMPLED, replace=False)
        sequences, exact = sequences[chosen], False
    basis = nuisance_columns(obs, ("block",))
    run = (obs.condition != obs.reference).astype(np.float64)
    weights = np.vstack((run, np.asarray(sequences, dtype=np.float64)))
    weights -= (weights @ basis) @ basis.T
    information = (weights**2).sum(axis=1)
    # A sequence with the conditions tied to blocks shows no difference: no weight, no information.
    weights[information < 1e-9 * obs.n] = 0.0
    information = np.where(information < 1e-9 * obs.n, 1.0, information)
    shuffles = _Reshuffles(
        weights[1:] if exact else weights,
        information[1:] if exact else information,
        obs.n - basis.shape[1] - 1,
        exact,
        float(np.mean(_alike(weights[1:] if exact else weights, weights[0]))),
    )
    adjusted = y - basis @ (basis.T @ y)
    return _compare(adjusted, shuffles, time_s, level, run=(weights[0], float(information[0])))


def _alike(weights: Floats, run: Floats) -> NDArray[np.bool_]:
    size = float(run @ run)
    return np.asarray(np.abs(weights @ run) > (1 - 1e-9) * size)


def _checked(curves: Floats, time_s: Floats) -> tuple[Floats, Floats]:
    curves, time_s = np.asarray(curves, dtype=np.float64), np.asarray(time_s, dtype=np.float64)
    if curves.ndim != 2 or time_s.shape != curves.shape[1:] or not np.isfinite(curves).all():
        raise RequestError(
            Problem(
                where="curves",
                found=f"curves of shape {curves.shape} on {time_s.size} times, or with gaps",
                wrong="curves are compared on one grid that all of them fill.",
                fix="align the curves first and keep the window that all of them cover.",
            )
        )
    if curves.shape[0] < 2 or time_s.size == 0:
        raise UnanswerableError(
            Problem(
                where="curves",
                found=f"{curves.shape[0]} curves",
                wrong="noise between curves cannot be seen in one.",
                fix="record more periods.",
            )
        )
    return curves, time_s


def _compare(
    y: Floats,
    shuffles: _Reshuffles,
    time_s: Floats,
    level: float,
    *,
    run: tuple[Floats, float] | None = None,
) -> TraceDifference:
    weights, information = run or (shuffles.weights[0], float(shuffles.information[0]))
    if shuffles.df < 1 or not weights.any():
        raise UnanswerableError(
            Problem(
                where="curves",
                found="periods that leave no difference or no noise to be seen",
                wrong="nothing remains after differences between blocks.",
                fix="run more complete blocks.",
            )
        )
    difference = weights @ y / information
    share = _shares(y, weights[None, :], np.array([information]))[0]
    largest = np.sort(_largest_shares(y, shuffles))
    m = largest.size
    p_at = (m - np.searchsorted(largest, share * (1 - 1e-9), side="left")) / m
    residual = y - np.outer(weights, difference)
    half = _half_width(residual, shuffles, information, level)
    p = float(p_at.min())
    return TraceDifference(
        time_s=time_s,
        difference=difference,
        low=difference - half,
        high=difference + half,
        level=level,
        p=p,
        p_at=p_at,
        stretches=_stretches(time_s, difference, p_at <= 1 - level + 1e-12),
        exact=shuffles.exact,
        n_sequences=m,
        smallest_p=shuffles.distinct,
        mc_error=None if shuffles.exact else sqrt(p * (1 - p) / (m - 1)),
    )


def _shares(y: Floats, weights: Floats, information: Floats) -> Floats:
    """Share of the squares at each time that the difference explains, (w, g).

    t^2 = df share / (1 - share): |t| grows with it at every time alike, and it stays finite.
    """
    squares = (y**2).sum(axis=0)
    # Times at which all curves agree to rounding carry no information.
    silent = squares <= 1e-24 * max(float(squares.max()), 1e-300)
    explained = (weights @ y) ** 2 / information[:, None]
    return np.asarray(np.where(silent, 0.0, explained / np.where(silent, 1.0, squares)))


def _largest_shares(y: Floats, shuffles: _Reshuffles) -> Floats:
    # Slices bound the memory of (sequences, times).
    step = max(1, 4_000_000 // y.shape[1])
    return np.concatenate(
        [
            _shares(y, shuffles.weights[k : k + step], shuffles.information[k : k + step]).max(
                axis=1
            )
            for k in range(0, shuffles.weights.shape[0], step)
        ]
    )


def _half_width(
    residual: Floats, shuffles: _Reshuffles, information: float, level: float
) -> Floats:
    """Half-width of the band: the quantile of the largest |t| of re-randomised residual curves.

    The residuals are re-randomised in place of the curves because a true difference would widen
    the noise of every sequence but the one that was run.
    """
    if shuffles.distinct > 1 - level:
        return np.full(residual.shape[1], np.inf)
    share = float(np.quantile(_largest_shares(residual, shuffles), level, method="higher"))
    t = sqrt(shuffles.df * share / max(1 - share, 1e-12))
    se = np.sqrt((residual**2).sum(axis=0) / shuffles.df / information)
    return np.asarray(t * se)


def _stretches(
    time_s: Floats, difference: Floats, differs: NDArray[np.bool_]
) -> tuple[DifferingStretch, ...]:
    # A stretch ends where the curves stop differing or the difference changes its side.
    side = np.where(differs, np.sign(difference), 0.0)
    edges = np.flatnonzero(np.diff(side)) + 1
    found = []
    for part in np.split(np.arange(time_s.size), edges):
        if side[part[0]] == 0:
            continue
        peak = part[np.argmax(np.abs(difference[part]))]
        found.append(
            DifferingStretch(
                start_s=float(time_s[part[0]]),
                end_s=float(time_s[part[-1]]),
                mean_difference=float(difference[part].mean()),
                largest_difference=float(difference[peak]),
                largest_at_s=float(time_s[peak]),
            )
        )
    return tuple(found)
