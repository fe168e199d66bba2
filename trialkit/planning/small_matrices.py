"""Cholesky factors of many small symmetric matrices side by side, shape (q, q, trials).

Columns which the ones before them already carry are dropped (their pivot is zero), as a careful
fit of a single trial would drop them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.quantiles import Floats

_DEPENDENT = 1e-10
"""A squared pivot below this share of the column's own square is rounding."""


@dataclass(frozen=True, eq=False)
class Factors:
    """Lower factors ``L`` (q, q, trials) with their squared pivots (q, trials) and kept columns."""

    L: Floats
    pivots: Floats
    kept: NDArray[np.bool_]

    def inverse(self) -> Floats:
        """Inverse of the lower factor; rows of dropped columns are zero."""
        q = self.L.shape[0]
        result = np.zeros_like(self.L)
        for i in range(q):
            scale = _reciprocal(self.L[i, i], self.kept[i])
            result[i, i] = scale
            for j in range(i):
                inner = sum(self.L[i, k] * result[k, j] for k in range(j, i))
                result[i, j] = -inner * scale
        return result


def factorise(M: Floats, size: Floats | None = None) -> Factors:
    """Cholesky factors of ``M`` (q, q, trials).

    ``size`` (q, trials) is the square of each column before anything was taken out of it (by
    default the diagonal); the last row, the response, is never dropped.
    """
    q = M.shape[0]
    size = np.einsum("iir->ir", M) if size is None else size
    L = np.zeros_like(M)
    pivots = np.empty_like(M[0])
    kept = np.empty(pivots.shape, dtype=bool)
    for j in range(q):
        pivot = M[j, j].copy()
        for k in range(j):
            pivot -= L[j, k] ** 2
        kept[j] = pivot > _DEPENDENT * size[j]
        pivots[j] = pivot
        L[j, j] = np.sqrt(np.where(kept[j], pivot, 0.0))
        scale = _reciprocal(L[j, j], kept[j])
        for i in range(j + 1, q):
            entry = M[i, j].copy()
            for k in range(j):
                entry -= L[i, k] * L[j, k]
            L[i, j] = entry * scale
    return Factors(L, pivots, kept)


def sandwich(left: Floats, middle: Floats) -> Floats:
    """Return left @ middle @ left.T for each trial."""
    half = np.einsum("ijr,jkr->ikr", left, middle)
    return np.einsum("ikr,lkr->ilr", half, left)


def _reciprocal(value: Floats, kept: NDArray[np.bool_]) -> Floats:
    return np.where(kept, 1 / np.where(kept, value, 1.0), 0.0)
