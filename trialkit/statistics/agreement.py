"""Limits of agreement between two measurements of the same subjects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

from trialkit.domain.estimates import Interval
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.noise import Z95
from trialkit.statistics.quadrature import noncentral_t_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Range in which 95 % of differences between two measurements of a subject lie.

    ``low`` and ``high`` are ``bias`` minus and plus ``multiplier`` times ``sd``; ``low_ci`` and
    ``high_ci`` say how well ``n`` subjects fix them, ``bias_ci`` how well they fix the bias.
    """

    bias: float
    sd: float
    n: int
    low: float
    high: float
    bias_ci: Interval
    low_ci: Interval
    high_ci: Interval
    multiplier: float
    exact: bool


def limits_of_agreement(
    differences: Sequence[float] | Floats,
    *,
    level: float = 0.95,
    multiplier: float | None = None,
    exact: bool = True,
) -> LimitsOfAgreement:
    """Say how far two measurements of one subject may lie apart.

    Parameters
    ----------
    differences : (n,)
        Second minus first measurement of each subject.
    level : float
        Level of the intervals.
    multiplier : float, optional
        SDs from the bias to a limit; 1.96 (the normal's 95 %) unless given.
    exact : bool
        Intervals of the limits from the noncentral t (Carkeet 2015, Optom Vis Sci 92:e71), or
        the approximation of Bland & Altman (1986, Lancet i:307) with standard error
        sqrt(3/n) SD.

    Raises
    ------
    UnanswerableError
        With fewer than two differences.
    """
    d = np.asarray(differences, dtype=np.float64)
    _check(d)
    n, bias, sd = d.size, float(d.mean()), float(d.std(ddof=1))
    k = Z95 if multiplier is None else multiplier
    half = float(t.ppf((1 + level) / 2, n - 1)) * sd / sqrt(n)
    inner, outer = _reach(n, k, level) if exact else _reach_1986(n, k, level)
    return LimitsOfAgreement(
        bias=bias,
        sd=sd,
        n=n,
        low=bias - k * sd,
        high=bias + k * sd,
        bias_ci=Interval(bias - half, bias + half, level),
        low_ci=Interval(bias - outer * sd, bias - inner * sd, level),
        high_ci=Interval(bias + inner * sd, bias + outer * sd, level),
        multiplier=k,
        exact=exact,
    )


def _check(d: Floats) -> None:
    if d.ndim != 1 or not np.all(np.isfinite(d)):
        raise RequestError(
            Problem(
                where="differences",
                found="values that are not a plain row of numbers",
                wrong="a subject without both measurements has no difference.",
                fix="leave such subjects out.",
            )
        )
    if d.size < 2:
        raise UnanswerableError(
            Problem(
                where="differences",
                found=f"{d.size} subjects with both measurements",
                wrong="a spread needs two.",
                fix="measure more subjects twice.",
            )
        )


def _reach(n: int, k: float, level: float) -> tuple[float, float]:
    # (limit - mean)/(sd/sqrt(n)) is noncentral t around k sqrt(n).
    tail, root = (1 - level) / 2, sqrt(n)
    ends = [noncentral_t_quantile(p, n - 1, k * root) / root for p in (tail, 1 - tail)]
    return ends[0], ends[1]


def _reach_1986(n: int, k: float, level: float) -> tuple[float, float]:
    half = float(t.ppf((1 + level) / 2, n - 1)) * sqrt(3 / n)
    return k - half, k + half
