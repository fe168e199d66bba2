"""Power, blocks and precision in closed form, for complete pairs and for series of athletes.

The power of a two-sided t test is that of the noncentral t (Student's t with a shifted numerator),
integrated here by Gauss-Legendre quadrature: the noncentral t and F of SciPy return NaN at
ordinary arguments for the few degrees of freedom of small trials. Both tails count, also the one
of a finding in the wrong direction (R's ``power.t.test(strict = TRUE)``).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from math import ceil, inf, log, pi, sqrt

import numpy as np
from scipy import optimize, special

from trialkit.errors import Problem, RequestError
from trialkit.planning.quantiles import Floats

_MOST = 1e7
_FEW_DF = 10
_FAR = 9.0
"""Normal deviates beyond this have a chance below 1e-18."""
# SciPy's, because NumPy takes eigenvalues of a full matrix: seconds where the cores are busy.
_NODES, _WEIGHTS = special.roots_legendre(400)


def t_power(ncp: float, df: float, *, level: float = 0.95) -> float:
    """Chance that a two-sided t test finds a difference.

    Parameters
    ----------
    ncp : float
        True effect over the standard error of its estimate.
    df : float
        Degrees of freedom of the error.
    level : float
        Confidence level of the interval that has to exclude zero.

    Examples
    --------
    >>> round(t_power(0.0, 7), 4)
    0.05
    """
    limit = special.stdtrit(df, (1 + level) / 2)
    chance = _given_normal if df < _FEW_DF else _given_noise
    return float(np.clip(chance(abs(ncp), df, limit), 0.0, 1.0))


def _given_normal(ncp: float, df: float, limit: float) -> float:
    """Integrate over the normal part: the noise has to be small enough for what was drawn."""
    ends = [-_FAR, max(-_FAR, -ncp), _FAR]  # the kink where the numerator changes its sign
    return sum(
        _integral(
            lambda z: (
                np.exp(-(z**2) / 2)
                / sqrt(2 * pi)
                * special.chdtr(df, df * ((z + ncp) / limit) ** 2)
            ),
            low,
            high,
        )
        for low, high in pairwise(ends)
    )


def _given_noise(ncp: float, df: float, limit: float) -> float:
    """Integrate over the estimated noise s (in units of the true one): two normal tails."""
    spread = _FAR / sqrt(2 * df)
    scale = log(2) + df / 2 * log(df / 2) - special.gammaln(df / 2)

    def tails(s: Floats) -> Floats:
        density = np.exp(scale + (df - 1) * np.log(s) - df * s**2 / 2)
        return np.asarray(
            density * (special.ndtr(ncp - limit * s) + special.ndtr(-ncp - limit * s))
        )

    return _integral(tails, max(1e-9, 1 - 2 * spread), 1 + 2 * spread)


def _integral(f: Callable[[Floats], Floats], low: float, high: float) -> float:
    half = (high - low) / 2
    return float(half * (_WEIGHTS @ f(low + half * (_NODES + 1))))


def power_complete_pairs(
    pairs: float, effect: float, *, sd: float = 1.0, level: float = 0.95
) -> float:
    """Chance that ``pairs`` complete pairs show a true effect by the paired t.

    Parameters
    ----------
    pairs : float
        Number of pairs, at least 2 (a fraction is allowed, as in sample-size tables).
    effect : float
        True mean difference, in the unit of ``sd``.
    sd : float
        Noise SD of one measurement (the typical error); the difference of a pair has sqrt(2) sd.
    level : float
        Confidence level of the interval that has to exclude zero.

    Raises
    ------
    RequestError
        When there are fewer than two pairs, or the noise is not above zero.

    Examples
    --------
    >>> round(power_complete_pairs(8, 2.0), 2)
    0.93
    """
    _check(pairs=(pairs, 2.0), sd=(sd, np.nextafter(0, 1)))
    return t_power(abs(effect) / (sd * sqrt(2 / pairs)), pairs - 1, level=level)


def blocks_for_power(power: float, effect: float, *, sd: float = 1.0, level: float = 0.95) -> float:
    """Number of complete pairs for a wanted power, as a fraction; round it up to run a trial.

    Raises
    ------
    RequestError
        When no number of pairs reaches the power (an effect of zero).

    Examples
    --------
    >>> ceil(blocks_for_power(0.8, 2.0))
    7
    """
    _check(effect=(abs(effect), np.nextafter(0, 1)), sd=(sd, np.nextafter(0, 1)))
    _check_share(power)

    def gap(pairs: float) -> float:
        return power_complete_pairs(pairs, effect, sd=sd, level=level) - power

    return _first_crossing(gap, 2.0)


def smallest_effect(
    pairs: float, *, power: float = 0.8, sd: float = 1.0, level: float = 0.95
) -> float:
    """Smallest true effect that so many complete pairs show with the wanted power.

    Examples
    --------
    >>> round(smallest_effect(8), 2)
    1.63
    """
    _check(pairs=(pairs, 2.0), sd=(sd, np.nextafter(0, 1)))
    _check_share(power)

    def gap(effect: float) -> float:
        return power_complete_pairs(pairs, effect, level=level) - power

    return sd * _first_crossing(gap, 0.0)


def expected_half_width(pairs: float, *, sd: float = 1.0, level: float = 0.95) -> float:
    """Median half-width of the paired t interval of a mean over ``pairs`` complete pairs.

    Examples
    --------
    >>> [round(expected_half_width(n), 2) for n in (4, 8, 12)]
    [2.0, 1.13, 0.87]
    """
    _check(pairs=(pairs, 2.0), sd=(sd, np.nextafter(0, 1)))
    df = pairs - 1
    median_variance = 2 * special.gammaincinv(df / 2, 0.5) / df
    t = special.stdtrit(df, (1 + level) / 2)
    return float(t * sd * sqrt(2 / pairs * median_variance))


def blocks_for_half_width(half_width: float, *, sd: float = 1.0, level: float = 0.95) -> int:
    """Fewest complete pairs whose interval is, in half of all trials, at most so wide.

    Examples
    --------
    >>> blocks_for_half_width(1.0)
    10
    """
    _check(half_width=(half_width, np.nextafter(0, 1)), sd=(sd, np.nextafter(0, 1)))

    def gap(pairs: float) -> float:
        return half_width - expected_half_width(pairs, sd=sd, level=level)

    return ceil(_first_crossing(gap, 2.0) - 1e-9)


def _first_crossing(gap: Callable[[float], float], start: float) -> float:
    """Where an increasing function reaches zero, at ``start`` at the earliest."""
    if gap(start) >= 0:
        return start
    high = max(2 * start, 1.0)
    while gap(high) < 0:
        high *= 2
        if high > _MOST:
            return inf
    return float(optimize.brentq(gap, start, high, xtol=1e-12, rtol=1e-14))


def _check(**least: tuple[float, float]) -> None:
    problems = [
        Problem(
            where=name.replace("_", " "),
            found=f"{value:g}",
            wrong="it is too small." if low >= 1 else "it has to be above zero.",
            fix=f"give at least {low:g}." if low >= 1 else "give a number above zero.",
        )
        for name, (value, low) in least.items()
        if not value >= low
    ]
    if problems:
        raise RequestError(problems)


def _check_share(power: float) -> None:
    if not 0 < power < 1:
        raise RequestError(
            Problem(
                where="power",
                found=f"{power:g}",
                wrong="a chance lies between 0 and 1.",
                fix="use 0.8 or 0.9.",
            )
        )
