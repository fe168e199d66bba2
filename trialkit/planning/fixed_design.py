"""One design, many trials: REML with Kenward-Roger error from one eigendecomposition.

For a given order of conditions and a given set of attended periods the model
``y = X b + block + error`` has one unknown ratio, ``phi = block variance / error variance``.
Rotating all responses at once into the eigenvectors of the block term (restricted to the space
free of the fixed effects) leaves every trial with a handful of sums of squares, one per distinct
eigenvalue; the restricted likelihood, the standard error and the degrees of freedom are functions
of those and of ``phi`` alone.

Sources: Patterson & Thompson 1971 (REML); Kenward & Roger 1997, Biometrics 53:983 (adjusted
variance and df; for a single contrast their scale factor is one).

Array axes throughout: (periods, trials) for responses, (groups, trials) for sums of squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.fits import Fits
from trialkit.planning.quantiles import Floats, UniformTable

_LARGEST_X = np.log(1e10)
"""Upper end of the search in x = ln(1 + phi * largest eigenvalue)."""
_NODES = np.concatenate([np.arange(0.0, 6.0, 0.4), np.linspace(6.0, _LARGEST_X, 7)])
"""Nodes of the search: close where ratios are found, wide above."""
_NEWTON_STEPS = 4
_NEWTON_DONE = 1e-4
"""A Newton step this small leaves an error of about its square."""
_BRACKET_STEPS = 60
_BRACKET_DONE = 1e-8
_TABLE_SIZE = 16_384
_SAME = 1e-9
"""Eigenvalues closer than this share of the largest are one group."""


@dataclass(frozen=True, eq=False)
class FixedDesign:
    """A design made ready for fitting many trials; build it with :func:`prepare`.

    ``rotation`` (1 + N - p, N) has the least-squares contrast in its first row and the residual
    directions below, sorted by eigenvalue group; the first direction of a group is aligned with
    the contrast's own block term, so that the contrast needs one coordinate per group.
    """

    rotation: Floats
    edges: tuple[int, ...]
    d: Floats
    m: Floats
    h: Floats
    lead: float
    block_lead: float

    @property
    def residual_df(self) -> int:
        """Residual degrees of freedom of the fixed part, N - p."""
        return int(self.m.sum())

    @property
    def largest(self) -> float:
        """Largest eigenvalue of the block term."""
        return float(self.d[-1])


def prepare(X: Floats, block: NDArray[np.intp], contrast: Floats) -> FixedDesign:
    """Make a design ready for fitting many trials with it.

    Parameters
    ----------
    X
        Fixed effects, shape (N, p), of full column rank.
    block
        Block number of each period, shape (N,).
    contrast
        Weights of the coefficients, shape (p,).

    Raises
    ------
    ValueError
        When the fixed effects are not estimable or leave nothing to estimate noise from.

    Examples
    --------
    >>> X = np.column_stack([np.ones(8), np.tile([0.0, 1.0], 4)])
    >>> design = prepare(X, np.repeat(np.arange(4), 2), np.array([0.0, 1.0]))
    >>> design.residual_df, design.d.round(12).tolist()
    (6, [0.0, 2.0])
    """
    n, p = X.shape
    if np.linalg.matrix_rank(X) < p or n <= p:
        raise ValueError("the fixed effects cannot be told apart in this design")
    Z = (block[:, None] == np.unique(block)[None, :]).astype(float)
    free = np.linalg.qr(X, mode="complete")[0][:, p:]
    a = X @ np.linalg.solve(X.T @ X, contrast)
    eigenvalues, vectors = np.linalg.eigh(free.T @ Z @ Z.T @ free)
    eigenvalues = np.where(eigenvalues > _SAME * n, eigenvalues, 0.0)
    residual = free @ vectors
    cuts = np.flatnonzero(np.diff(eigenvalues) > _SAME * n) + 1
    edges = (0, *cuts.tolist(), eigenvalues.size)
    coupling = residual.T @ (Z @ (Z.T @ a))
    rows, d, m, h = [], [], [], []
    for low, high in pairwise(edges):
        directions, size = _align(residual[:, low:high], coupling[low:high])
        rows.append(directions.T)
        d.append(eigenvalues[low:high].mean())
        m.append(high - low)
        h.append(size)
    return FixedDesign(
        rotation=np.ascontiguousarray(np.vstack([a[None, :], *rows])),
        edges=edges,
        d=np.array(d),
        m=np.array(m, dtype=float),
        h=np.array(h),
        lead=float(a @ a),
        block_lead=float(np.sum((Z.T @ a) ** 2)),
    )


def _align(directions: Floats, coupling: Floats) -> tuple[Floats, float]:
    """Turn a group's basis so that its first vector carries the whole coupling."""
    size = float(np.linalg.norm(coupling))
    if size < _SAME:
        return directions, 0.0
    basis = np.linalg.qr(np.column_stack([coupling, np.eye(coupling.size)]))[0]
    basis[:, 0] = coupling / size
    return directions @ basis, size


class RemlFit:
    """Fit many trials of one design: REML for the block ratio, Kenward-Roger for the rest.

    The two figures which depend on ``phi`` alone (standard error per residual SD, df) are
    tabulated once; ``fit`` then costs a few passes over the trials.
    """

    def __init__(self, design: FixedDesign) -> None:
        self.design = design
        self.has_blocks = design.largest > 0 and design.d.size > 1
        x = np.linspace(0.0, _LARGEST_X, _TABLE_SIZE)
        variance, df = _kenward_roger(design, np.expm1(x) / (design.largest or 1.0))
        self._unit_variance = UniformTable(0.0, _LARGEST_X, variance)
        self._df = UniformTable(0.0, _LARGEST_X, df)
        # In complete blocks neither depends on the ratio.
        constant = all(np.ptp(column) < 1e-9 * column[0] for column in (variance, df))
        self._constant_df = float(df[0]) if constant else None
        self._constant_variance = float(variance[0])
        w = 1 + np.expm1(_NODES)[:, None] / (design.largest or 1.0) * design.d
        log_det = np.log(w) @ design.m
        # exp of the criterion over N - p, so that the scan needs one product and no logarithm
        self._scan = np.exp(log_det / design.residual_df)[:, None] / w

    def fit(self, y: Floats, *, guarded: bool = False) -> Fits:
        """Fit each column of ``y`` (N, trials).

        With ``guarded`` a ratio of zero does not make the noise smaller than inside blocks, as in
        ``trialkit.statistics.mixed_blocks.BlockFit.guarded``.
        """
        design = self.design
        z = design.rotation @ y
        rows = z[1:]
        q = np.stack(
            [
                np.einsum("ij,ij->j", rows[low:high], rows[low:high])
                for low, high in pairwise(design.edges)
            ]
        )
        x = self._ratio(q)
        phi = np.expm1(x) / (design.largest or 1.0)
        estimate = z[0].copy()
        s2 = np.zeros_like(estimate)
        for group, (d, h) in enumerate(zip(design.d, design.h, strict=True)):
            w = 1 + phi * d
            s2 += q[group] / w
            if h:
                estimate -= phi * h * rows[design.edges[group]] / w
        residual = s2 / design.residual_df
        if guarded and design.d[0] == 0.0:
            residual = np.where(x == 0.0, np.maximum(residual, q[0] / design.m[0]), residual)
        return Fits(
            estimate,
            residual,
            self._unit_variance(x) if self._constant_df is None else self._constant_variance,
            self._df(x) if self._constant_df is None else self._constant_df,
        )

    def _ratio(self, q: Floats) -> Floats:
        """Return x = ln(1 + phi * largest eigenvalue) at the restricted maximum, per trial."""
        design = self.design
        if not self.has_blocks:
            return np.zeros(q.shape[1])
        if design.d.size == 2 and design.d[0] == 0.0:
            ratio = (q[1] / design.m[1]) / (q[0] / design.m[0])
            return np.asarray(np.log(np.clip(ratio, 1.0, np.exp(_LARGEST_X))))
        best = np.argmin(self._scan @ q, axis=0)
        x, step = _NODES.take(best), np.inf
        low = _NODES.take(np.maximum(best - 1, 0))
        high = _NODES.take(np.minimum(best + 1, _NODES.size - 1))
        for _ in range(_NEWTON_STEPS):
            slope, curvature = self._slopes(x, q)
            # The best node's own side of the bracket cannot hold another, lower basin.
            low, high = np.where(slope < 0, x, low), np.where(slope < 0, high, x)
            moved = np.clip(x - slope / np.abs(curvature), low, high)
            step, x = moved - x, moved
        rest = np.flatnonzero((np.abs(step) > _NEWTON_DONE) | ((curvature <= 0) & (x > 0)))
        if rest.size:
            x[rest] = self._bracketed(low[rest], high[rest], q[:, rest])
        return np.asarray(x)

    def _bracketed(self, low: Floats, high: Floats, q: Floats) -> Floats:
        """Newton kept inside a shrinking bracket: slower, for the few rows Newton alone misses."""
        x = (low + high) / 2
        for _ in range(_BRACKET_STEPS):
            slope, curvature = self._slopes(x, q)
            low, high = np.where(slope < 0, x, low), np.where(slope < 0, high, x)
            newton = x - slope / np.where(curvature > 0, curvature, np.nan)
            moved = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
            step, x = moved - x, moved
            if np.all(np.abs(step) < _BRACKET_DONE):
                break
        return x

    def _slopes(self, x: Floats, q: Floats) -> tuple[Floats, Floats]:
        """First and second derivative in x of (N - p) log(sum q/w) + sum m log w."""
        design = self.design
        grown = np.exp(x)
        phi = (grown - 1) / design.largest
        m1 = m2 = s0 = s1 = s2 = 0.0
        for d, m, qg in zip(design.d, design.m, q, strict=True):
            if d == 0.0:
                s0 = s0 + qg
                continue
            v = 1 / (1 + phi * d)
            share, r = qg * v, d * v
            first = share * r
            s0, s1, s2 = s0 + share, s1 + first, s2 + first * r
            m1, m2 = m1 + m * r, m2 + m * r * r
        jacobian = grown / design.largest
        mean = s1 / s0
        by_phi = m1 - design.residual_df * mean
        twice = design.residual_df * (2 * s2 / s0 - mean * mean) - m2
        return jacobian * by_phi, jacobian * (jacobian * twice + by_phi)


def _kenward_roger(design: FixedDesign, phi: Floats) -> tuple[Floats, Floats]:
    """Squared standard error per residual variance, and df, at each ``phi`` (k,)."""
    w = 1 + phi[:, None] * design.d
    h2 = design.h**2
    v = design.lead + phi * design.block_lead - phi**2 * ((h2 / w).sum(1))
    if not (design.largest > 0 and design.d.size > 1):
        return v, np.full_like(phi, design.residual_df)
    v_e = design.lead + phi**2 * (h2 / w**2).sum(1)
    v_b = design.block_lead - (
        2 * phi[:, None] * h2 / w - phi[:, None] ** 2 * h2 * design.d / w**2
    ).sum(1)
    i_bb = 0.5 * (design.m * design.d**2 / w**2).sum(1)
    i_be = 0.5 * (design.m * design.d / w**2).sum(1)
    i_ee = 0.5 * (design.m / w**2).sum(1)
    det = i_bb * i_ee - i_be**2
    w_bb, w_be, w_ee = i_ee / det, -i_be / det, i_bb / det
    df = 2 * v**2 / (w_bb * v_b**2 + 2 * w_be * v_b * v_e + w_ee * v_e**2)
    inflation = 2 * (w_bb - 2 * phi * w_be + phi**2 * w_ee) * (h2 / w**3).sum(1)
    return v + inflation, df
