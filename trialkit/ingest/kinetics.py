"""Exponential curves through a signal: least-squares fits with their standard errors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student

Floats = NDArray[np.float64]
Model = Callable[[Floats, Floats], Floats]

_GRID: Final = 60


@dataclass(frozen=True, eq=False)
class CurveFit:
    """A least-squares fit of p parameters to k points.

    ``parameters`` and ``standard_errors`` have shape (p,); the errors come from the curvature at
    the minimum and assume independent residuals. ``residual`` is (k,). ``converged`` is false when
    the fit stopped elsewhere than at a minimum.
    """

    parameters: Floats
    standard_errors: Floats
    residual: Floats
    converged: bool

    @property
    def rss(self) -> float:
        """Residual sum of squares."""
        return float(self.residual @ self.residual)

    @property
    def df(self) -> int:
        """Residual degrees of freedom."""
        return int(self.residual.size - self.parameters.size)

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation."""
        return float(np.sqrt(self.rss / self.df))

    def interval(self, parameter: int, *, level: float = 0.95) -> tuple[float, float]:
        """Two-sided t interval of one parameter, counted from 0."""
        reach = float(student.ppf(0.5 + level / 2, self.df)) * self.standard_errors[parameter]
        return self.parameters[parameter] - reach, self.parameters[parameter] + reach


def fit_curve(model: Model, x: Floats, y: Floats, start: Floats) -> CurveFit:
    """Fit ``model(x, parameters)`` to ``y`` (k,) by least squares from ``start`` (p,).

    Levenberg-Marquardt (Moré 1978, as in MINPACK) with parameters scaled by their start.

    Examples
    --------
    >>> x = np.arange(10.0)
    >>> fall = lambda x, b: b[0] * np.exp(-x / b[1])
    >>> fit = fit_curve(fall, x, 5 * np.exp(-x / 3), np.array([1, 1]))
    >>> bool(np.allclose(fit.parameters, [5, 3]))
    True
    """
    start = np.asarray(start, dtype=np.float64)
    with np.errstate(over="ignore", invalid="ignore"):
        found = least_squares(
            lambda b: np.nan_to_num(model(x, b) - y, nan=1e12, posinf=1e12, neginf=-1e12),
            start,
            method="lm",
            x_scale=np.where(start == 0, 1.0, np.abs(start)),
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
            max_nfev=20_000,
        )
    df = y.size - start.size
    variance = 2 * found.cost / df if df > 0 else np.nan
    # Columns differ by many orders of magnitude; scaled ones keep the inverse exact.
    jacobian = _jacobian(model, x, found.x)
    scale = np.linalg.norm(jacobian, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    covariance = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale))
    errors = np.sqrt(variance * np.diag(covariance)) / scale
    return CurveFit(found.x, errors, found.fun, bool(found.success))


def _jacobian(model: Model, x: Floats, parameters: Floats) -> Floats:
    """Derivatives (k, p) by central differences; the fit's own one-sided ones cost SEs 5 digits."""
    columns = []
    for i, value in enumerate(parameters):
        step = np.zeros(parameters.size)
        step[i] = np.cbrt(np.finfo(np.float64).eps) * (abs(value) or 1.0)
        with np.errstate(over="ignore", invalid="ignore"):
            change = model(x, parameters + step) - model(x, parameters - step)
        columns.append(np.nan_to_num(change / (2 * step[i]), posinf=0.0, neginf=0.0))
    return np.column_stack(columns)


def mono_exponential(
    time_s: Floats, *, baseline: float, amplitude: float, tau_s: float, delay_s: float = 0.0
) -> Floats:
    """Level (k,) of a rise that starts after a delay and closes on ``baseline + amplitude``.

    Examples
    --------
    >>> mono_exponential(np.array([0.0, 30.0]), baseline=0, amplitude=1, tau_s=30).round(4).tolist()
    [0.0, 0.6321]
    """
    since = np.clip(np.asarray(time_s, dtype=np.float64) - delay_s, 0, None)
    level: Floats = baseline + amplitude * -np.expm1(-since / tau_s)
    return level


def half_time(tau_s: float) -> float:
    """Time in which half of the change is done: tau times ln 2."""
    return tau_s * log(2)


def fit_mono_exponential(time_s: Floats, value: Floats, *, delay_s: float = 0.0) -> CurveFit:
    """Fit baseline, amplitude and time constant (in this order) of one rise or fall.

    The start of the search is the best of a grid of time constants, for each of which baseline and
    amplitude follow by linear least squares: no start has to be guessed by a person.

    Parameters
    ----------
    time_s, value
        Seconds from the start of the change and the signal, both (k,).
    delay_s
        Known delay before the change begins.
    """
    since = np.clip(time_s - delay_s, 0, None)
    span = float(since.max()) or 1.0
    best, start = np.inf, np.array([0.0, 1.0, span])
    for tau in np.geomspace(span / 200, 10 * span, _GRID):
        design = np.column_stack([np.ones_like(since), -np.expm1(-since / tau)])
        linear, _, _, _ = np.linalg.lstsq(design, value, rcond=None)
        rss = float(np.sum((design @ linear - value) ** 2))
        if rss < best:
            best, start = rss, np.array([*linear, tau])
    return fit_curve(lambda x, b: b[0] + b[1] * -np.expm1(-x / b[2]), since, value, start)


def serial_inflation(residual: Floats) -> float:
    """Factor by which neighbouring samples' likeness widens a standard error.

    From the lag-one correlation r of the residuals, sqrt((1 + r) / (1 - r)) (Bayley & Hammersley
    1946, large-sample form); never below 1.
    """
    if residual.size < 4 or not np.any(residual):
        return 1.0
    centred = residual - residual.mean()
    r = float(np.clip(centred[1:] @ centred[:-1] / (centred @ centred), 0.0, 0.99))
    return float(np.sqrt((1 + r) / (1 - r)))
