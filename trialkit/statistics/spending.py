"""Alpha spending and group-sequential limits for a normal statistic.

Lan & DeMets (1983, Biometrika 70:659); Jennison & Turnbull (2000), Group Sequential Methods,
sections 7.2 and 19.2; recursion of Armitage, McPherson & Rowe (1969, J R Stat Soc A 132:235).
These limits are for known noise. With few blocks and estimated noise they reject far too often:
see `trialkit.statistics.interim`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import e, inf, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import roots_legendre
from scipy.stats import norm

from trialkit.errors import Problem, RequestError

Floats = NDArray[np.float64]

# SciPy's, because NumPy takes eigenvalues of a full matrix: seconds where the cores are busy.
_NODES, _WEIGHTS = roots_legendre(300)
# Beyond this many SDs the normal holds nothing that could be seen in a limit.
_FAR = 9.0


def _obrien_fleming(t: float, alpha: float) -> float:
    return 2 * float(norm.sf(float(norm.isf(alpha / 2)) / sqrt(t)))


def _pocock(t: float, alpha: float) -> float:
    return alpha * log(1 + (e - 1) * t)


SPENDING: dict[str, Callable[[float, float], float]] = {
    "obrien-fleming": _obrien_fleming,
    "pocock": _pocock,
}


def alpha_spent(fractions: Sequence[float], *, spending: str, alpha: float) -> tuple[float, ...]:
    """Error spent up to each look at these fractions of the full information.

    Raises
    ------
    RequestError
        For an unknown type of spending, or fractions that do not increase up to 1.

    Examples
    --------
    >>> [round(a, 4) for a in alpha_spent([0.5, 1.0], spending="pocock", alpha=0.05)]
    [0.031, 0.05]
    """
    problems = []
    if spending not in SPENDING:
        problems.append(
            Problem(
                where="spending",
                found=repr(spending),
                wrong="is not a type of spending.",
                fix="use one of " + ", ".join(SPENDING) + ".",
            )
        )
    rising = all(a < b for a, b in zip((0.0, *fractions), fractions, strict=False))
    if not fractions or not rising or abs(fractions[-1] - 1) > 1e-12:
        problems.append(
            Problem(
                where="looks",
                found=", ".join(f"{f:g}" for f in fractions) or "none",
                wrong="looks come one after another and the last is the end of the trial.",
                fix="give increasing looks, the planned end last.",
            )
        )
    if problems:
        raise RequestError(problems)
    return tuple(SPENDING[spending](t, alpha) for t in fractions)


def normal_limits(
    fractions: Sequence[float], *, spending: str, alpha: float = 0.05, sides: int = 2
) -> tuple[float, ...]:
    """Critical z at each look for known noise.

    Parameters
    ----------
    fractions : sequence of float
        Share of the full information at each look, the last 1.
    spending : str
        ``obrien-fleming`` or ``pocock`` type of Lan & DeMets.
    alpha, sides : float, int
        Error to spend on one side or on both together.
    """
    spent = alpha_spent(fractions, spending=spending, alpha=alpha)
    limits: list[float] = []
    for k, total in enumerate(spent):
        goal = total - (spent[k - 1] if k else 0.0)

        def missing(limit: float, goal: float = goal) -> float:
            chances = crossing_chances(fractions, [*limits, limit], sides=sides)
            return chances[-1] - goal

        limits.append(float(brentq(missing, 0.0, _FAR, xtol=1e-11)))
    return tuple(limits)


def crossing_chances(
    fractions: Sequence[float], limits: Sequence[float], *, sides: int = 2
) -> tuple[float, ...]:
    """Chance, under no effect, that a normal statistic first crosses its limit at each look.

    Looks beyond the given limits are left out. With one side only the upper limit counts.

    Examples
    --------
    Five looks at 5 % each (Armitage, McPherson & Rowe 1969 print 0.142):

    >>> looks = [0.2, 0.4, 0.6, 0.8, 1.0]
    >>> round(sum(crossing_chances(looks, [1.959964] * 5)), 4)
    0.1417
    """
    found: list[float] = []
    # The score process has independent normal increments; its density is carried on Gauss nodes
    # of the region in which the trial goes on.
    place, mass, before = np.zeros(1), np.ones(1), 0.0
    for t, limit in zip(fractions, limits, strict=False):
        step, upper = sqrt(t - before), limit * sqrt(t)
        lower = -upper if sides == 2 else -inf
        out = norm.sf((upper - place) / step)
        if sides == 2:
            out = out + norm.cdf((lower - place) / step)
        found.append(float(mass @ out))
        low = max(lower, -_FAR * sqrt(t))
        half = (upper - low) / 2
        new_place = low + half * (_NODES + 1)
        density = mass @ norm.pdf((new_place[None, :] - place[:, None]) / step) / step
        place, mass, before = new_place, density * half * _WEIGHTS, t
    return tuple(found)
