"""Serial correlation in real time: generalised least squares with correlation phi^|t - s|.

Restricted maximum likelihood of a continuous-time first-order autoregression, optionally beside a
random block effect, with Kenward-Roger inference including the correction for the bias of the
covariance parameters (Kenward & Roger 2009), which matters because the covariance is not linear
in phi. With few periods the adjustment can overshoot, so the variance is never taken below the
unadjusted one and the df never below 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.contrasts import LinearContrast, from_variance
from trialkit.statistics.fixed_effects import Array
from trialkit.statistics.mixed_small_sample import Covariance, SmallSample, small_sample

_PHI_GRID = np.linspace(0.0, 0.98, 50)
_RATIO_GRID = np.concatenate([[0.0], np.geomspace(0.02, 50.0, 18)])
# Beyond this correlation at the smallest gap the two Kenward-Roger corrections are differences of
# huge numbers (seen: 7 and -490 times the variance at 0.998 and 0.999, with a trend): their share
# of the variance is held at what it is here. Planning holds it at the same place.
STEADIEST_PHI = 0.98
# With gaps between one and two units the second derivative of phi^gap is infinite at zero;
# the derivatives (not the estimate) are taken at no less than this.
_SMALLEST_PHI = 0.02


@dataclass(frozen=True, eq=False)
class SerialDesign:
    """What is known before the outcome: X (n, p), lags (n, n) in units of the smallest gap.

    ``together`` (n, n) marks pairs of rows of one series; ``ZZ`` (n, n) is the block pattern, or
    None without a block effect; ``unit`` is the smallest gap in the user's time.
    """

    X: Array
    lags: Array
    together: NDArray[np.bool_]
    ZZ: Array | None
    unit: float

    @classmethod
    def of(
        cls,
        X: Array,
        time: Array,
        *,
        series: NDArray[np.str_] | None = None,
        Z: Array | None = None,
    ) -> SerialDesign:
        """Prepare a design; rows of different ``series`` are independent.

        Raises
        ------
        UnanswerableError
            When two rows of one series have the same time.
        """
        n = len(time)
        together = np.ones((n, n), dtype=bool)
        if series is not None:
            together = series[:, None] == series[None, :]
        gaps = np.abs(time[:, None] - time[None, :])
        inside = gaps[together & ~np.eye(n, dtype=bool)]
        unit = float(inside.min()) if inside.size else 1.0
        if unit == 0:
            raise UnanswerableError(
                Problem(
                    where="time",
                    found="two periods at the same time",
                    wrong="correlation along time needs every period at its own time.",
                    fix="give period numbers or clock times, or average repeats within a period.",
                )
            )
        return cls(X, gaps / unit, together, None if Z is None else Z @ Z.T, unit)

    def correlation(self, phi: float) -> Array:
        """Serial correlation (n, n) for the correlation phi at the smallest gap."""
        return np.where(self.together, np.power(phi, self.lags), 0.0)

    def covariance(self, phi: float, variance: float, block: float) -> Covariance:
        """V with derivatives in (variance, phi), and in the block variance where there is one."""
        smooth = np.all(self.lags == np.round(self.lags))
        at = phi if smooth else max(phi, _SMALLEST_PHI)
        R, lags = self.correlation(phi), self.lags
        slope = np.where(self.together, lags * _power(at, lags - 1), 0.0)
        bend = np.where(self.together, lags * (lags - 1) * _power(at, lags - 2), 0.0)
        first, V = [R, variance * slope], variance * R
        if self.ZZ is not None:
            first, V = [*first, self.ZZ], V + block * self.ZZ
        second = np.zeros((len(first), len(first), *R.shape))
        second[0, 1] = second[1, 0] = slope
        second[1, 1] = variance * bend
        return Covariance(V, np.array(first), second)


@dataclass(frozen=True, eq=False)
class SerialFit:
    """REML fit with serial correlation.

    ``phi`` is the correlation at one unit of the user's time, ``variance`` that of one
    measurement (around its block) with ``variance_df``, ``block`` the block variance (None
    without a block effect), ``loglik`` the restricted log-likelihood. ``steady`` is the inference
    at no more than `STEADIEST_PHI`, which the size of the adjustment is taken from.
    """

    inference: SmallSample
    steady: SmallSample
    phi: float
    variance: float
    variance_df: float
    block: float | None
    loglik: float

    def contrast(self, c: Array) -> LinearContrast:
        """Linear combination c'b with the floored Kenward-Roger inference."""
        if not self.held:
            return self.inference.contrast(c, floor=True)
        plain = float(c @ self.inference.phi @ c)
        share = float(c @ self.steady.adjusted @ c) / float(c @ self.steady.phi @ c)
        df = self.inference.contrast(c, floor=True).df
        return from_variance(float(c @ self.inference.beta), plain * max(share, 1.0), df)

    @property
    def held(self) -> bool:
        """Whether the adjustment of the variance is held because phi is close to one."""
        return self.steady is not self.inference


def fit_serial(y: Array, design: SerialDesign, *, bias: bool = True) -> SerialFit:
    """Fit one outcome y (n,) by REML; ``bias`` asks for the 2009 correction.

    Raises
    ------
    UnanswerableError
        When no more rows than effects are left to see noise and correlation.
    """
    n, p = design.X.shape
    if n - p < 3:
        raise UnanswerableError(
            Problem(
                where="outcome",
                found=f"{n} periods for {p} effects",
                wrong="noise and its correlation in time cannot both be estimated from them.",
                fix="measure more periods, or use method paired or mixed.",
            )
        )
    centred = y - y.mean()
    phi, ratio = _search(centred, design)
    criterion, scale = _criterion(centred, design, phi, ratio)
    covariance = design.covariance(phi, scale, ratio * scale)
    loglik = -0.5 * (criterion + (n - p) * (log(2 * np.pi / (n - p)) + 1))
    inference = small_sample(y, design.X, covariance, bias=bias)
    steady = inference
    if phi > STEADIEST_PHI:
        near = design.covariance(STEADIEST_PHI, scale, ratio * scale)
        steady = small_sample(y, design.X, near, bias=bias)
    return SerialFit(
        inference=inference,
        steady=steady,
        phi=float(phi ** (1 / design.unit)) if phi > 0 else 0.0,
        variance=scale,
        variance_df=max(1.0, min(n - p, 2 * scale**2 / float(inference.W[0, 0]))),
        block=None if design.ZZ is None else ratio * scale,
        loglik=loglik,
    )


def _search(y: Array, design: SerialDesign) -> tuple[float, float]:
    """Global grid over phi (and block ratio), then a bounded local search."""
    ratios = [0.0] if design.ZZ is None else list(_RATIO_GRID)
    grid = [(_criterion(y, design, phi, r)[0], phi, r) for phi in _PHI_GRID for r in ratios]
    _, phi, ratio = min(grid)
    if design.ZZ is None:
        step = _PHI_GRID[1]
        found = optimize.minimize_scalar(
            lambda x: _criterion(y, design, x, 0.0)[0],
            bounds=(max(phi - step, 0.0), min(phi + step, 0.999)),
            method="bounded",
            options={"xatol": 1e-10},
        )
        better = found.fun < _criterion(y, design, phi, 0.0)[0]
        return (float(found.x) if better else float(phi)), 0.0
    found = optimize.minimize(
        lambda x: _criterion(y, design, x[0], x[1])[0],
        x0=[phi, ratio],
        bounds=[(0.0, 0.999), (0.0, None)],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 2000},
    )
    return float(found.x[0]), float(found.x[1])


def _criterion(y: Array, design: SerialDesign, phi: float, ratio: float) -> tuple[float, float]:
    """Minus twice the profiled restricted log-likelihood, up to a constant, and the variance."""
    H = design.correlation(phi)
    if design.ZZ is not None:
        H = H + ratio * design.ZZ
    root = np.linalg.cholesky(H)
    # A general solver: the triangular one wakes up all threads, which costs 100 times its work.
    whitened = np.linalg.solve(root, np.column_stack([design.X, y]))
    Xs, ys = whitened[:, :-1], whitened[:, -1]
    Q, R = np.linalg.qr(Xs)
    residual = ys - Q @ (Q.T @ ys)
    rss, m = float(residual @ residual), len(y) - design.X.shape[1]
    log_det = 2 * float(np.sum(np.log(np.diag(root)))) + 2 * float(
        np.sum(np.log(np.abs(np.diag(R))))
    )
    return log_det + m * log(rss), rss / m


def _power(phi: float, exponent: Array) -> Array:
    # Entries with a negative exponent are multiplied by zero lags afterwards, or belong to lags
    # below the smallest gap, which do not occur.
    safe = np.where(exponent < 0, 0.0, exponent) if phi == 0 else exponent
    return np.asarray(np.power(phi, safe))
