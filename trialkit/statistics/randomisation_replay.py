"""Adjusted differences under many sequences at once, and the interval from their inversion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.observations import Observations
from trialkit.errors import Problem, RequestError

Floats = NDArray[np.float64]
Codes = NDArray[np.integer]

ADJUSTMENTS = ("block", "period", "trend")
# Sequences are worked through in slices of this many, which bounds memory.
_SLICE = 65_536
# A column whose sum of squares falls below this share after adjustment is not estimable.
_ESTIMABLE = 1e-9


@dataclass(frozen=True, eq=False)
class Replayed:
    """What each sequence would have given; all arrays are (m,).

    ``difference`` is the adjusted difference had this sequence been the one that was run;
    ``effect`` what the same formula gives for a value of 1 under the condition as it was really
    applied and 0 elsewhere; ``information`` the adjusted sum of squares of the condition. The
    first two are NaN where the sequence cannot tell the conditions apart.
    """

    difference: Floats
    effect: Floats
    information: Floats

    def with_run(self, difference: float, information: float) -> Replayed:
        """Return the replay with the sequence that was run as one more draw."""
        return Replayed(
            difference=np.append(self.difference, difference),
            effect=np.append(self.effect, 1.0),
            information=np.append(self.information, information),
        )


def nuisance_columns(obs: Observations, adjust: tuple[str, ...]) -> Floats:
    """Orthonormal columns (n, q) of the mean and the named adjustments.

    Raises
    ------
    RequestError
        For an unknown adjustment, or one whose column the observations lack.
    """
    columns = [np.ones((obs.n, 1))]
    problems = []
    for name in adjust:
        column = _columns_of(obs, name)
        if column is None:
            problems.append(
                Problem(
                    where="adjust",
                    found=repr(name),
                    wrong="is not an adjustment, or the table has no column for it.",
                    fix="use some of " + ", ".join(ADJUSTMENTS) + ", and give its column.",
                )
            )
        else:
            columns.append(column)
    if problems:
        raise RequestError(problems)
    return _orthonormal(np.hstack(columns))


def _orthonormal(columns: Floats) -> Floats:
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, size > 1e-10 * size[0]], dtype=np.float64)


def _columns_of(obs: Observations, name: str) -> Floats | None:
    if name == "block":
        return _indicators(obs.block)
    if name == "period" and obs.position is not None:
        return _indicators(obs.position)
    if name == "trend" and obs.time is not None:
        # Centred, so that a time in days since long ago does not drown in rounding.
        centred: Floats = obs.time - obs.time.mean()
        return centred[:, None]
    return None


def _indicators(labels: NDArray[np.generic]) -> Floats:
    return np.asarray(labels[:, None] == np.unique(labels)[None, :], dtype=np.float64)


def replay(
    obs: Observations, sequences: Codes, *, pair: tuple[int, int], adjust: tuple[str, ...]
) -> Replayed:
    """Compute the adjusted difference of two conditions under each sequence.

    ``pair`` are the codes of the condition and of the one it is compared with. ``sequences``
    (m, n) holds for every row of ``obs`` the code it gets; rows of other conditions keep theirs.
    Each difference is the least-squares one: mean, adjustments and the other conditions are
    partialled out.
    """
    columns = [nuisance_columns(obs, adjust)]
    columns += [
        (obs.condition == level).astype(np.float64)[:, None]
        for code, level in enumerate(obs.levels)
        if code not in pair
    ]
    basis = _orthonormal(np.hstack(columns))
    actual = (obs.condition == obs.levels[pair[0]]).astype(np.float64)
    # Responses in columns: the outcome, and the applied condition itself for the inversion.
    response = np.column_stack((obs.value - obs.value.mean(), actual))
    response -= basis @ (basis.T @ response)
    parts = [
        _differences(sequences[start : start + _SLICE] == pair[0], response, basis)
        for start in range(0, len(sequences), _SLICE)
    ]
    table = np.concatenate(parts)
    return Replayed(difference=table[:, 0], effect=table[:, 1], information=table[:, 2])


def _differences(applied: NDArray[np.bool_], response: Floats, basis: Floats) -> Floats:
    # One matrix product for everything: (sequence, row) by (row, response and basis columns).
    product = applied.astype(np.float64) @ np.hstack((response, basis))
    cross, shadow = product[:, :2], product[:, 2:]
    information = np.count_nonzero(applied, axis=1) - np.einsum("mq,mq->m", shadow, shadow)
    possible = information > _ESTIMABLE * applied.shape[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = cross / information[:, None]
    return np.column_stack((np.where(possible[:, None], ratio, np.nan), information))


def invert(replayed: Replayed, observed: float, alpha: float) -> tuple[float, float]:
    """Find the outermost constant effects that the replay does not reject at ``alpha``.

    Under a constant effect e the outcome without it is ``value - e * applied``, whose difference
    under a sequence is ``difference - e * effect``: linear in e. So each sequence is at least as
    extreme as the observed one on a set of effects with known ends, and one sweep over all ends
    gives the outermost effects with p above ``alpha``; infinite where there is no such end.
    """
    usable = np.isfinite(replayed.difference)
    slope = replayed.effect[usable]
    excess = replayed.difference[usable] - observed * slope
    needed = alpha * replayed.difference.size * (1 + 1e-12)
    return (
        observed - _farthest_kept(excess, slope, needed),
        observed + _farthest_kept(-excess, slope, needed),
    )


def _farthest_kept(excess: Floats, slope: Floats, needed: float) -> float:
    """Largest u >= 0 at which more than ``needed`` sequences have |excess + u slope| >= u."""
    excess = np.where(np.abs(excess) <= 1e-9 * np.max(np.abs(excess)), 0.0, excess)
    # |c + u b| >= u means u (1 - b) <= c or u (1 + b) <= -c.
    first, second = _stretch(excess, 1 - slope), _stretch(-excess, 1 + slope)
    until = np.sort(np.maximum(first[0], second[0]))[::-1]
    since = np.sort(np.minimum(first[1], second[1]))
    if np.isfinite(since).sum() > needed:
        return np.inf
    kept = np.arange(1, until.size + 1) + np.searchsorted(since, until, side="right")
    enough = np.flatnonzero(kept > needed)
    return float(until[enough[0]]) if enough.size else 0.0


def _stretch(limit: Floats, gain: Floats) -> tuple[Floats, Floats]:
    """Where u * gain <= limit for u >= 0: up to the first end, and again from the second on."""
    gain = np.where(np.abs(gain) < 1e-9, 0.0, gain)
    with np.errstate(divide="ignore", invalid="ignore"):
        end = limit / gain
    until = np.where((limit >= 0) & (gain > 0), end, -np.inf)
    always = (limit >= 0) & (gain <= 0)
    since = np.where(always, 0.0, np.where(gain < 0, end, np.inf))
    return until, since
