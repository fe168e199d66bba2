"""Declared interim looks with few blocks: limits for |t| that keep the overall error.

Spending functions say how much error each look may use; the limits come from simulating the t
statistic itself over all looks, because limits made for a normal statistic would spend three to
four times too much with four to twelve pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from trialkit.errors import Problem, RequestError
from trialkit.statistics.spending import alpha_spent

Floats = NDArray[np.float64]

_CHUNK = 50_000


@dataclass(frozen=True, slots=True)
class Look:
    """One declared look after ``blocks`` complete blocks.

    The trial may stop with a claim when |t| exceeds ``limit``. ``interval_level`` is the level of
    the confidence interval to report here, so that the intervals of all looks hold together
    (repeated confidence intervals, Jennison & Turnbull 2000, chapter 9).
    """

    blocks: int
    df: int
    spent: float
    limit: float

    @property
    def nominal_p(self) -> float:
        """Two-sided p at which a single t test would reach the limit."""
        return 2 * float(student.sf(self.limit, self.df))

    @property
    def interval_level(self) -> float:
        """Level of the interval to report at this look."""
        return 1 - self.nominal_p


@dataclass(frozen=True, slots=True)
class InterimPlan:
    """Limits for all declared looks; ``mc_error`` is the simulation's error of ``alpha``."""

    looks: tuple[Look, ...]
    spending: str
    alpha: float
    conditions: int
    replicates: int
    seed: int
    mc_error: float

    def at(self, blocks: int) -> Look | None:
        """Return the look declared after so many blocks; None for an undeclared one."""
        return next((look for look in self.looks if look.blocks == blocks), None)


def interim_plan(
    looks: Sequence[int],
    *,
    spending: str = "obrien-fleming",
    alpha: float = 0.05,
    conditions: int = 2,
    replicates: int = 1_000_000,
    seed: int = 20_001,
) -> InterimPlan:
    """Find the limits for |t| at declared interim looks.

    Parameters
    ----------
    looks : sequence of int
        Numbers of complete blocks at which the data are looked at, the planned end last.
    spending : str
        ``obrien-fleming`` (hardly any early stopping) or ``pocock`` (even) type; the two-sided
        error is spent as a whole (Jennison & Turnbull 2000, section 7.2.3).
    alpha : float
        Two-sided error over all looks.
    conditions : int
        Conditions per block; the contrast is of two of them in complete blocks.
    replicates, seed : int
        Size and seed of the simulation.

    Raises
    ------
    RequestError
        When a look has fewer than two blocks, looks do not increase, or the type is unknown.

    Examples
    --------
    >>> plan = interim_plan([6, 12], replicates=50_000)
    >>> [look.blocks for look in plan.looks], plan.looks[0].limit > plan.looks[1].limit
    ([6, 12], True)
    """
    looks = tuple(int(n) for n in looks)
    if any(n < 2 for n in looks):
        raise RequestError(
            Problem(
                where="looks",
                found=", ".join(str(n) for n in looks),
                wrong="after fewer than two blocks there is no noise to compare with.",
                fix="put the first look after two blocks or later.",
            )
        )
    spent = alpha_spent(
        [n / looks[-1] for n in looks] if looks else [], spending=spending, alpha=alpha
    )
    limits = _limits(looks, spent, conditions, replicates, seed)
    return InterimPlan(
        looks=tuple(
            Look(n, (n - 1) * (conditions - 1), a, c)
            for n, a, c in zip(looks, spent, limits, strict=True)
        ),
        spending=spending,
        alpha=alpha,
        conditions=conditions,
        replicates=replicates,
        seed=seed,
        mc_error=sqrt(alpha * (1 - alpha) / replicates) if len(looks) > 1 else 0.0,
    )


@lru_cache(maxsize=64)
def _limits(
    looks: tuple[int, ...],
    spent: tuple[float, ...],
    conditions: int,
    replicates: int,
    seed: int,
) -> tuple[float, ...]:
    # The first look is a plain t test: its limit is known without simulation.
    limits = [float(student.isf(spent[0] / 2, (looks[0] - 1) * (conditions - 1)))]
    if len(looks) == 1:
        return tuple(limits)
    sizes = simulated_t(looks, conditions=conditions, replicates=replicates, seed=seed)
    going_on = sizes[:, 0] <= limits[0]
    for k in range(1, len(looks)):
        here = sizes[going_on, k]
        stops = round((spent[k] - spent[k - 1]) * replicates)
        rank = here.size - stops
        around = np.partition(here, (rank - 1, rank))[rank - 1 : rank + 1]
        limits.append(float(around.mean()))
        going_on &= sizes[:, k] <= limits[k]
    return tuple(limits)


def simulated_t(looks: Sequence[int], *, conditions: int = 2, replicates: int, seed: int) -> Floats:
    """Draw |t| of one contrast at each look under no effect, (replicates, looks).

    One random stream per 50,000 replicates, so the draws do not depend on anything else.
    """
    streams = np.random.SeedSequence(seed).spawn(-(-replicates // _CHUNK))
    parts = [
        _one_chunk(
            np.random.default_rng(s), looks, conditions, min(_CHUNK, replicates - k * _CHUNK)
        )
        for k, s in enumerate(streams)
    ]
    return np.concatenate(parts)


def _one_chunk(
    rng: np.random.Generator, looks: Sequence[int], conditions: int, size: int
) -> Floats:
    at = np.array(looks) - 1
    d = rng.normal(size=(size, looks[-1]))
    total, squares = d.cumsum(axis=1)[:, at], (d**2).cumsum(axis=1)[:, at]
    n = at + 1.0
    ss = squares - total**2 / n
    if conditions > 2:
        # Each further block adds one degree of freedom for each contrast not looked at.
        other = rng.chisquare(conditions - 2, size=(size, looks[-1] - 1)).cumsum(axis=1)
        ss += np.hstack((np.zeros((size, 1)), other))[:, at]
    return np.asarray(np.abs(total) / np.sqrt(n * ss / ((n - 1) * (conditions - 1))))
