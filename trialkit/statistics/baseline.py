"""Noise of one athlete from baseline repeats, with drift over the repeats removed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

from trialkit.domain.estimates import Interval
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.noise import typical_error_interval

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BaselineNoise:
    """Typical error of one athlete on ``df`` degrees of freedom, and the drift taken out.

    ``drift`` is the change per unit of time (per repeat where no times are given).
    """

    typical_error: float
    df: int
    ci: Interval
    drift: float
    drift_ci: Interval


def baseline_noise(
    values: Sequence[float] | Floats,
    *,
    time: Sequence[float] | Floats | None = None,
    level: float = 0.95,
) -> BaselineNoise:
    """Measure an athlete's own noise from repeats under the reference condition.

    A straight line over the repeats is taken out, so that learning or training during the
    baseline is not counted as noise; it costs one degree of freedom.

    Parameters
    ----------
    values : (k,)
        Repeats in time order.
    time : (k,), optional
        When they were measured (days); their order unless given.
    level : float
        Level of the intervals.

    Raises
    ------
    RequestError
        When values and times do not match or are not numbers.
    UnanswerableError
        With fewer than three repeats, or when all fall on one moment.

    Examples
    --------
    >>> found = baseline_noise([10.0, 12.0, 12.0, 14.0])
    >>> found.df, round(found.drift, 3), round(found.typical_error, 3)
    (2, 1.2, 0.632)
    """
    y = np.asarray(values, dtype=np.float64)
    x = np.arange(y.size, dtype=np.float64) if time is None else np.asarray(time, dtype=np.float64)
    _check(y, x)
    around = x - x.mean()
    squares = float(around @ around)
    drift = float(around @ y) / squares
    df = y.size - 2
    typical_error = sqrt(float(((y - y.mean() - drift * around) ** 2).sum()) / df)
    half = float(t.ppf((1 + level) / 2, df)) * typical_error / sqrt(squares)
    return BaselineNoise(
        typical_error=typical_error,
        df=df,
        ci=typical_error_interval(typical_error, df, level=level),
        drift=drift,
        drift_ci=Interval(drift - half, drift + half, level),
    )


def _check(y: Floats, x: Floats) -> None:
    if y.ndim != 1 or x.shape != y.shape or not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise RequestError(
            Problem(
                where="baseline",
                found=f"{y.size} values and {x.size} times, or some that are not numbers",
                wrong="each repeat has one value and one time.",
                fix="leave missed repeats out.",
            )
        )
    if y.size < 3 or np.ptp(x) == 0:
        raise UnanswerableError(
            Problem(
                where="baseline",
                found=f"{y.size} repeats",
                wrong="telling noise from drift takes three at different times.",
                fix="repeat the baseline measurement.",
            )
        )
