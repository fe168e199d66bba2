"""Randomisation tests: the trial's own re-randomisations are the yardstick.

Fisher (1935), The Design of Experiments, chapter 3; Edgington & Onghena (2007), Randomization
Tests. The result is valid whatever the distribution of the noise, because it rests on nothing but
the draw of the order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, sqrt

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.estimates import Interval
from trialkit.domain.observations import Observations
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.randomisation_exact import (
    TIE_SLACK,
    sign_flip_count,
    sign_flip_limits,
    subset_sums,
)
from trialkit.statistics.randomisation_replay import Replayed, invert, replay

Floats = NDArray[np.float64]
Codes = NDArray[np.integer]

# Up to this many pairs every sign pattern is kept for drawing the null distribution.
_DRAWN_WHOLE = 14
# With fewer sampled sequences a p of 0.05 is too rough to be worth telling.
_FEWEST_DRAWS = 199


@dataclass(frozen=True, eq=False)
class RandomisationResult:
    """What a randomisation test says about one difference.

    ``statistic`` is the observed difference (condition minus reference) and ``null`` (k,) the
    differences which the re-randomisations would have given under no effect: all of them, or a
    sample where ``null_complete`` is false. ``smallest_p`` is the smallest two-sided p the design
    could have reached. ``interval`` holds the constant effects the test does not reject, at the
    level ``achieved_level`` where it is known exactly. ``mc_error`` is the Monte-Carlo standard
    error of a sampled p, None for an exact one.
    """

    statistic: float
    p: float
    exact: bool
    smallest_p: float
    interval: Interval
    achieved_level: float | None
    n_sequences: int
    draws: int | None
    mc_error: float | None
    null: Floats
    null_complete: bool


def sign_flip_test(
    differences: Sequence[float] | Floats,
    *,
    level: float = 0.95,
    max_exact: int = 40,
    draws: int = 9_999,
    seed: int = 0,
) -> RandomisationResult:
    """Test whether randomised pairs differ, by flipping which member of each pair came first.

    Parameters
    ----------
    differences : (n,)
        Condition minus reference of each pair whose order was drawn by a fair coin of its own.
    level : float
        Level of the interval.
    max_exact : int
        Up to this many pairs all 2^n sign patterns are counted (40 pairs take well under a
        second and 100 MB); beyond it ``draws`` patterns are sampled.
    draws, seed : int
        Number of sampled patterns and the seed of their stream.

    Raises
    ------
    UnanswerableError
        Without any pair.

    Examples
    --------
    Darwin's maize, in eighths of an inch (Fisher 1935): 2 x 863 of 32768 patterns.

    >>> heights = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    >>> result = sign_flip_test(heights)
    >>> result.p * 2**15, result.exact
    (1726.0, True)
    """
    d = np.asarray(differences, dtype=np.float64)
    _check_differences(d)
    if d.size > max_exact:
        return _sampled_flips(d, level=level, draws=draws, seed=seed)
    count = sign_flip_count(d)
    low, high, achieved = sign_flip_limits(d, 1 - level)
    whole = d.size <= _DRAWN_WHOLE
    total = float(d.sum())
    sums = total - 2 * subset_sums(d) if whole else _flipped_sums(d, draws=draws, seed=seed)
    return RandomisationResult(
        statistic=total / d.size,
        p=count / 2**d.size,
        exact=True,
        smallest_p=2 / 2**d.size,
        interval=Interval(low, high, level),
        achieved_level=achieved,
        n_sequences=2**d.size,
        draws=None,
        mc_error=None,
        null=sums / d.size,
        null_complete=whole,
    )


def _check_differences(d: Floats) -> None:
    if d.ndim != 1 or not np.all(np.isfinite(d)):
        raise RequestError(
            Problem(
                where="differences",
                found="values that are not a plain row of numbers",
                wrong="a pair without both values has no difference.",
                fix="leave incomplete pairs out, or use a test that replays the sequence.",
            )
        )
    if d.size == 0:
        raise UnanswerableError(
            Problem(
                where="differences",
                found="no complete pair",
                wrong="nothing can be flipped.",
                fix="run at least one complete pair; six are needed to reach p < 0.05.",
            )
        )


def _flipped_sums(d: Floats, *, draws: int, seed: int) -> Floats:
    signs = np.random.default_rng(seed).integers(0, 2, size=(draws, d.size), dtype=np.int8)
    return np.asarray((2.0 * signs - 1.0) @ d, dtype=np.float64)


def _sampled_flips(d: Floats, *, level: float, draws: int, seed: int) -> RandomisationResult:
    sums = _flipped_sums(d, draws=draws, seed=seed)
    total = float(d.sum())
    slack = TIE_SLACK * float(np.abs(d).sum())
    p = (int(np.sum(np.abs(sums) >= abs(total) - slack)) + 1) / (draws + 1)
    # Means over random non-empty subsets are typical values of the centre (Hartigan 1969), so
    # ranks among them give a valid level for any number of draws.
    keep = np.random.default_rng([seed, 1]).integers(0, 2, size=(draws, d.size), dtype=np.int8)
    keep = keep[keep.any(axis=1)]
    means = np.sort((keep @ d) / keep.sum(axis=1))
    rank = floor((1 - level) / 2 * (means.size + 1))
    low, high = (means[rank - 1], means[-rank]) if rank else (-np.inf, np.inf)
    return RandomisationResult(
        statistic=total / d.size,
        p=p,
        exact=False,
        smallest_p=2 / 2**d.size,
        interval=Interval(float(low), float(high), level),
        achieved_level=1 - 2 * rank / (means.size + 1),
        n_sequences=2**d.size,
        draws=draws,
        mc_error=sqrt(p * (1 - p) / draws),
        null=sums / d.size,
        null_complete=False,
    )


def replay_test(
    obs: Observations,
    sequences: Codes,
    *,
    exact: bool,
    condition: str | tuple[str, str] | None = None,
    adjust: tuple[str, ...] = ("block",),
    level: float = 0.95,
) -> RandomisationResult:
    """Test whether two conditions differ, by replaying the sequences the trial could have had.

    The statistic is the absolute least-squares difference of two conditions with the adjustments
    partialled out. With three conditions or more, only sequences count that leave the other
    conditions where they were: so nothing is assumed of their effects. Periods that were missed
    have no row and no column: their absence must not depend on the condition.

    Parameters
    ----------
    obs : Observations
        One row per measured period, n rows.
    sequences : (m, n) integers
        For each sequence and each row of ``obs`` the condition it gives that row, as an index
        into ``obs.levels`` (0 is the reference). Every sequence is equally likely; one that is
        twice as likely stands there twice.
    exact : bool
        Whether ``sequences`` are all the scheme could draw (then the one that was run is among
        them) or a random sample of them, drawn without looking at the data.
    condition : str or (str, str), optional
        The condition to compare with the reference, or a condition and the one it is compared
        with; needed with three conditions or more.
    adjust : tuple of str
        Any of ``block``, ``period`` (place in the block) and ``trend`` (straight line in time).
    level : float
        Level of the interval.

    Raises
    ------
    RequestError
        When sequences and rows do not match, or the sequence that was run is not possible.
    UnanswerableError
        When the sequence that was run cannot tell the conditions apart after adjustment, or too
        few sampled sequences leave the other conditions in place.
    """
    pair = _codes_of(obs, condition)
    run = np.array([obs.levels.index(c) for c in obs.condition.tolist()], dtype=np.int8)
    sequences = np.asarray(sequences)
    _check_sequences(obs, sequences, run, exact=exact)
    sequences = _keeping_others(sequences, run, pair, exact=exact)
    actual = replay(obs, run[None, :], pair=pair, adjust=adjust)
    if not np.isfinite(actual.difference[0]):
        raise UnanswerableError(
            Problem(
                where="sequence",
                found="conditions that move together with the adjustments",
                wrong="no difference can be told apart from " + ", ".join(adjust) + ".",
                fix="adjust for less, or randomise the order.",
            )
        )
    replayed = replay(obs, sequences, pair=pair, adjust=adjust)
    # Rounding of the values themselves, for data in which every difference is nothing else.
    rounding = 1e-12 * float(np.ptp(obs.value))
    return _replay_result(replayed, actual, exact=exact, level=level, rounding=rounding)


def _replay_result(
    replayed: Replayed, actual: Replayed, *, exact: bool, level: float, rounding: float
) -> RandomisationResult:
    observed, information = float(actual.difference[0]), float(actual.information[0])
    if not exact:
        # The sequence that was run is one more draw from the scheme: p = (b + 1) / (m + 1).
        replayed = replayed.with_run(observed, information)
    differences = replayed.difference
    m = differences.size
    # A sequence that cannot tell the conditions apart shows no difference at all.
    size = np.where(np.isfinite(differences), np.abs(differences), -np.inf)
    slack = max(TIE_SLACK * float(np.max(size)), rounding)
    p = float(np.mean(size >= abs(observed) - slack))
    # Whatever the values, the run sequence, its copies and its mirror images are always counted.
    same = (np.abs(np.abs(replayed.effect) - 1) < 1e-9) & (
        np.abs(replayed.information - information) < 1e-9 * information
    )
    low, high = invert(replayed, observed, 1 - level)
    return RandomisationResult(
        statistic=observed,
        p=p,
        exact=exact,
        smallest_p=float(np.mean(same)),
        interval=Interval(low, high, level),
        achieved_level=None,
        n_sequences=m,
        draws=None if exact else m - 1,
        mc_error=None if exact else sqrt(p * (1 - p) / (m - 1)),
        null=differences[np.isfinite(differences)],
        null_complete=exact,
    )


def _codes_of(obs: Observations, condition: str | tuple[str, str] | None) -> tuple[int, int]:
    if condition is None and len(obs.levels) == 2:
        condition = obs.levels[1]
    named = condition if isinstance(condition, tuple) else (condition, obs.reference)
    if named[0] == named[1] or any(name not in obs.levels for name in named):
        raise RequestError(
            Problem(
                where="condition",
                found=" against ".join(str(name) for name in named),
                wrong="two different conditions of the trial are compared.",
                fix="name them among " + ", ".join(obs.levels) + ".",
            )
        )
    return obs.levels.index(str(named[0])), obs.levels.index(named[1])


def _keeping_others(sequences: Codes, run: Codes, pair: tuple[int, int], *, exact: bool) -> Codes:
    others = ~np.isin(run, pair)
    if not others.any():
        return sequences
    kept = sequences[np.all(sequences[:, others] == run[others], axis=1)]
    kept = kept[np.isin(kept[:, ~others], pair).all(axis=1)]
    if not exact and len(kept) < _FEWEST_DRAWS:
        raise UnanswerableError(
            Problem(
                where="sequences",
                found=f"{len(kept)} sampled sequences that leave the other conditions in place",
                wrong="two of several conditions are compared with the others held in place.",
                fix="list all sequences, or sample orders of the two conditions only.",
            )
        )
    return kept


def _check_sequences(obs: Observations, sequences: Codes, run: Codes, *, exact: bool) -> None:
    if sequences.ndim != 2 or sequences.shape[0] == 0 or sequences.shape[1] != obs.n:
        raise RequestError(
            Problem(
                where="sequences",
                found=f"an array of shape {sequences.shape}",
                wrong=f"{obs.n} periods were measured.",
                fix="give one row per sequence and one column per measured period.",
            )
        )
    if exact and not np.any(np.all(sequences == run, axis=1)):
        raise RequestError(
            Problem(
                where="sequences",
                found="no sequence equal to the one that was run",
                wrong="a scheme cannot be replayed that could not have given this trial.",
                fix="check the scheme, the order of conditions and the periods that were missed.",
            )
        )
