"""Factors of many small symmetric matrices side by side, with their derivative.

A symmetric matrix per trial is kept as its lower triangle row by row, shape (q(q+1)/2, trials),
and factorised as L D L' with ones on the diagonal of L. Columns which the ones before them already
carry are dropped, as a careful fit of a single trial would drop them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.quantiles import Floats

_DEPENDENT = 1e-10
"""A pivot below this share of the column's own square is rounding."""


def place(i: int, j: int) -> int:
    """Place of entry (i, j), j <= i, in a lower triangle kept row by row."""
    return i * (i + 1) // 2 + j


@dataclass(frozen=True, eq=False)
class Factors:
    """Unit lower ``L`` (triangle), ``pivots`` (q, trials), ``inverse`` pivots (zero if dropped)."""

    L: Floats
    pivots: Floats
    inverse: Floats

    @property
    def kept(self) -> NDArray[np.bool_]:
        """Which columns (q, trials) are not a combination of those before."""
        kept: NDArray[np.bool_] = self.inverse > 0
        return kept

    def basis(self, q: int) -> Floats:
        """Rows (q, q, trials) that turn the leading q columns into orthonormal ones."""
        rows = np.zeros((q, q, self.L.shape[1]))
        for i in range(q):
            rows[i, i] = 1.0
            for j in range(i):
                for k in range(j, i):
                    rows[i, j] -= self.L[place(i, k)] * rows[k, j]
        rows *= np.sqrt(self.inverse[:q, None])
        return rows


def factorise(M: Floats, raw: Floats) -> Factors:
    """Factorise ``M``; ``raw`` (q, trials) is the square of each column as it was at first."""
    q = len(raw)
    L, U = np.ones_like(M), np.empty_like(M)
    pivots, inverse = np.empty_like(raw), np.empty_like(raw)
    for j in range(q):
        pivot = M[place(j, j)].copy()
        for k in range(j):
            pivot -= U[place(j, k)] * L[place(j, k)]
        pivots[j] = pivot
        kept = pivot > _DEPENDENT * raw[j]
        np.divide(1.0, pivot, out=inverse[j], where=kept)
        inverse[j][~kept] = 0.0
        for i in range(j + 1, q):
            entry = M[place(i, j)].copy()
            for k in range(j):
                entry -= U[place(i, k)] * L[place(j, k)]
            U[place(i, j)] = entry
            L[place(i, j)] = entry * inverse[j]
    return Factors(L, pivots, inverse)


def log_pivot_slopes(factors: Factors, change: Floats) -> Floats:
    """Derivatives (q, trials) of the log pivots when the matrix moves along ``change``."""
    q, L = len(factors.pivots), factors.L
    dL, dU = np.zeros_like(L), np.empty_like(L)
    slopes = np.empty_like(factors.pivots)
    for j in range(q):
        moved = change[place(j, j)].copy()
        for k in range(j):
            at = place(j, k)
            moved -= dU[at] * L[at] + L[at] * factors.pivots[k] * dL[at]
        slopes[j] = moved * factors.inverse[j]
        for i in range(j + 1, q):
            entry = change[place(i, j)].copy()
            for k in range(j):
                up, left = place(i, k), place(j, k)
                entry -= dU[up] * L[left] + L[up] * factors.pivots[k] * dL[left]
            at = place(i, j)
            dU[at] = entry
            dL[at] = entry * factors.inverse[j] - L[at] * slopes[j]
    return slopes


def squares(columns: Floats) -> Floats:
    """Sums of squares and products of columns (q, rows, trials), as triangles."""
    q = columns.shape[0]
    return np.stack(
        [np.einsum("tr,tr->r", columns[i], columns[j]) for i in range(q) for j in range(i + 1)]
    )


def full(M: Floats, q: int) -> Floats:
    """The leading q columns of a triangle as a full symmetric matrix (q, q, trials)."""
    return np.stack(
        [np.stack([M[place(max(i, j), min(i, j))] for j in range(q)]) for i in range(q)]
    )


def turn(basis: Floats, matrix: Floats) -> Floats:
    """Write symmetric matrices (q, q, trials) in another basis: basis @ matrix @ basis'."""
    half = np.einsum("ijr,jkr->ikr", basis, matrix)
    return np.asarray(np.einsum("ikr,lkr->ilr", half, basis))
