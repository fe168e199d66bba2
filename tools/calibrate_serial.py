"""Serial models for many simulated trials at once: everything but the outcome is tabulated.

For one order of conditions the restricted likelihood of every (phi, block ratio) on a grid needs
one matrix, and so do estimate, standard error and degrees of freedom. The tables are filled by the
package's own single-trial code; a test compares the outcome with the plain fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from trialkit.statistics.fixed_effects import block_indicators
from trialkit.statistics.mixed_small_sample import small_sample
from trialkit.statistics.serial import SerialDesign

Floats = NDArray[np.float64]

PHIS = np.linspace(0.0, 0.98, 50)
PHIS_WITH_BLOCK = np.linspace(0.0, 0.95, 20)
RATIOS = np.array([0.0, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 9.0, 20.0])
VARIANTS = ("serial", "serial, KR 1997", "serial with block", "serial, Wald z")


@dataclass(frozen=True, eq=False)
class Grid:
    """Tables of one order: G grid points, n periods.

    ``P`` (G, n, n) gives the residual sum of squares y'Py, ``log_det`` (G,) the determinants of
    the criterion, ``weights`` (G, n) the estimate. ``reach`` holds, by variant, the half-width of
    the 95 % interval per residual SD, (G,).
    """

    P: Floats
    log_det: Floats
    weights: Floats
    reach: dict[str, Floats]

    def rejected(self, y: Floats) -> dict[str, NDArray[np.bool_]]:
        """Whether the interval leaves out zero, for outcomes y (n, trials), by variant."""
        n = len(y)
        rss = np.einsum("gir,ir->gr", self.P @ y, y)
        best = np.argmin(self.log_det[:, None] + (n - 2) * np.log(rss), axis=0)
        trials = np.arange(y.shape[1])
        estimate = np.abs(np.einsum("rn,nr->r", self.weights[best], y))
        sd = np.sqrt(rss[best, trials] / (n - 2))
        return {name: estimate > reach[best] * sd for name, reach in self.reach.items()}


def tabulate(order: NDArray[np.integer], *, with_block: bool) -> Grid:
    """Fill the tables of one order of two conditions, codes (n,), in pairs."""
    n = len(order)
    X = np.column_stack([np.ones(n), order]).astype(float)
    Z = block_indicators(np.repeat(np.arange(n // 2), 2).astype(str)) if with_block else None
    design = SerialDesign.of(X, np.arange(float(n)), Z=Z)
    points = [(phi, 0.0) for phi in PHIS]
    if with_block:
        points = [(phi, ratio) for phi in PHIS_WITH_BLOCK for ratio in RATIOS]
    rows = [_point(design, phi, ratio) for phi, ratio in points]
    names = rows[0][3].keys()
    return Grid(
        P=np.array([row[0] for row in rows]),
        log_det=np.array([row[1] for row in rows]),
        weights=np.array([row[2] for row in rows]),
        reach={name: np.array([row[3][name] for row in rows]) for name in names},
    )


def _point(
    design: SerialDesign, phi: float, ratio: float
) -> tuple[Floats, float, Floats, dict[str, float]]:
    covariance = design.covariance(phi, 1.0, ratio)
    X, Vi = design.X, np.linalg.inv(covariance.V)
    inner = X.T @ Vi @ X
    coefficients = np.linalg.solve(inner, X.T @ Vi)
    P = Vi - Vi @ X @ coefficients
    log_det = float(np.linalg.slogdet(covariance.V)[1] + np.linalg.slogdet(inner)[1])
    c, y = np.array([0.0, 1.0]), np.zeros(len(X))
    corrected = small_sample(y, X, covariance, bias=True)
    plain = float(np.sqrt(c @ corrected.phi @ c))
    if design.ZZ is not None:
        return P, log_det, coefficients[1], {"serial with block": _reach(corrected, c)}
    older = small_sample(y, X, covariance, bias=False)
    unfloored = float(c @ older.adjusted @ c)
    reach = {
        "serial": _reach(corrected, c),
        # As published, without the floors: a negative variance leaves no interval but a point.
        "serial, KR 1997": float(
            stats.t.isf(0.025, max(older.contrast(c, floor=True).df, 1e-3))
            * np.sqrt(max(unfloored, 0.0))
        ),
        "serial, Wald z": 1.959963984540054 * plain,
    }
    return P, log_det, coefficients[1], reach


def _reach(inference, c: Floats) -> float:  # type: ignore[no-untyped-def]
    contrast = inference.contrast(c, floor=True)
    return float(stats.t.isf(0.025, contrast.df)) * contrast.se
