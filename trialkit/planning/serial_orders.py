"""Serial correlation for many trials whose orders and missed periods all differ.

The covariance of the periods does not depend on the order of conditions, so its inverse and the
derivatives of that are worked out once per correlation for all trials. A missed period is given a
column of its own, which takes it out of the likelihood exactly (its response then cannot matter).
What is left per trial are matrices of the size of the model.

Formulas: Kenward & Roger 1997 and, for the bias of the covariance parameters, 2009 (Comput Stat
Data Anal 53:2583), for the parameters (variance, phi) with the variance set to 1; written in the
basis that turns the information X'V^-1 X into the identity.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.fits import Fits
from trialkit.planning.model_columns import Terms, model_columns
from trialkit.planning.quantiles import Floats
from trialkit.planning.serial_design import (
    FEWEST_LEFT,
    NODES,
    REACH,
    STEADIEST,
    around,
    lowest_between,
)
from trialkit.planning.small_matrices import Factors, factorise, full, place, turn
from trialkit.planning.trials import Trials
from trialkit.statistics.serial import SerialDesign

_TOGETHER = 512
"""Trials whose matrices are held at once (some 25 MB with 48 periods and many missed)."""


@dataclass(frozen=True, eq=False)
class _Node:
    """One correlation: V^-1 =: S, products S G S .. with G = dV/dphi and H = d2V/dphi2; traces."""

    S: Floats
    SGS: Floats
    SGSGS: Floats
    SHS: Floats
    SGSHS: Floats
    log_det: float
    trace: dict[str, float]


@lru_cache(maxsize=32)
def _nodes(periods: int) -> tuple[_Node, ...]:
    design = SerialDesign.of(np.ones((periods, 1)), np.arange(periods, dtype=float))
    return tuple(_node(design, float(np.tanh(u))) for u in NODES)


def _node(design: SerialDesign, phi: float) -> _Node:
    covariance = design.covariance(phi, 1.0, 0.0)
    assert covariance.second is not None  # it is not linear in phi
    V, G, H = covariance.V, covariance.first[1], covariance.second[1, 1]
    S: Floats = np.asarray(np.linalg.inv(V), dtype=np.float64)
    SG, SH = S @ G, S @ H
    mixed = SG @ SH @ S
    traces = {"G": SG, "H": SH, "GG": SG @ SG, "GH": SG @ SH}
    return _Node(
        S=S,
        SGS=SG @ S,
        SGSGS=SG @ SG @ S,
        SHS=SH @ S,
        SGSHS=(mixed + mixed.T) / 2,
        log_det=float(np.linalg.slogdet(V)[1]),
        trace={name: float(np.trace(matrix)) for name, matrix in traces.items()},
    )


def fit_serial_orders(trials: Trials, terms: Terms) -> Fits:
    """Fit each trial by REML with serial correlation and Kenward-Roger error."""
    n = trials.y.shape[1]
    fits = Fits.without_answer(n)
    for start in range(0, n, _TOGETHER):
        places = np.arange(start, min(start + _TOGETHER, n))
        fits = fits.put(places, _fit_together(trials.pick(places), terms))
    return fits


def _fit_together(trials: Trials, terms: Terms) -> Fits:
    columns = _columns(trials, terms)
    kept, log_det, squares, coefficient = _scan(columns)
    left = trials.y.shape[0] - kept[:-1].sum(axis=0)
    estimable = kept[-1 - (trials.conditions - 1) : -1].all(axis=0)
    places = np.flatnonzero(estimable & (left >= FEWEST_LEFT))
    fits = Fits.without_answer(left.size)
    if not places.size:
        return fits
    left, squares = left[places], squares[:, places]
    centre, weights = lowest_between(log_det[:, places] + left * np.log(squares))
    figures = _figures(columns[..., places], centre, left)
    plain, adjusted, df = (weights * figures).sum(axis=1)
    answer = Fits(
        (weights * around(coefficient[:, places], centre)).sum(axis=0),
        (weights * around(squares, centre)).sum(axis=0) / left,
        np.maximum(adjusted, plain),
        np.maximum(df, 1.0),
    )
    return fits.put(places, answer)


def _scan(columns: Floats) -> tuple[NDArray[np.bool_], Floats, Floats, Floats]:
    """Columns kept, and at each node the log determinants, residual squares and coefficient."""
    q, periods, trials = columns.shape
    log_det, squares, coefficient = np.empty((3, NODES.size, trials))
    for k, node in enumerate(_nodes(periods)):
        factors = _at_node(columns, node)
        pivots = np.where(factors.kept, factors.pivots, 1.0)[:-1]
        log_det[k] = node.log_det + np.log(pivots).sum(axis=0)
        squares[k] = factors.pivots[-1]
        coefficient[k] = factors.L[place(q - 1, q - 2)]
    return factors.kept, log_det, squares, coefficient


def _columns(trials: Trials, terms: Terms) -> Floats:
    """Columns [mean, missed periods, nuisance, conditions, response]: (q, periods, trials)."""
    columns = model_columns(trials, terms)
    mean = np.ones((1, *trials.y.shape))
    if trials.present is None:
        return np.concatenate([mean, columns])
    missed = ~trials.present
    rank = np.cumsum(missed, axis=0) * missed
    own = np.stack([rank == k + 1 for k in range(int(rank.max()))]).astype(float)
    return np.concatenate([mean, own, columns])


def _sandwiched(columns: Floats, middle: Floats) -> Floats:
    """Triangles of C'MC for the columns C of each trial."""
    q, n, trials = columns.shape
    turned = np.matmul(middle, columns.transpose(1, 0, 2).reshape(n, -1)).reshape(n, q, trials)
    rows = [np.einsum("nr,nr->r", columns[i], turned[:, j]) for i in range(q) for j in range(i + 1)]
    return np.stack(rows)


def _at_node(columns: Floats, node: _Node) -> Factors:
    return factorise(_sandwiched(columns, node.S), np.einsum("inr,inr->ir", columns, columns))


def _figures(columns: Floats, centre: NDArray[np.intp], left: Floats) -> Floats:
    """Plain and adjusted variance and df (3, 5, trials) at the five nodes around each centre."""
    nodes = _nodes(columns.shape[1])
    found = np.empty((3, REACH.size, centre.size))
    wanted = centre + REACH[:, None]
    for k in np.unique(wanted):
        reach, trial = np.nonzero(wanted == k)
        part = columns[..., trial]
        plain, ratio, df = _kenward_roger(part, nodes[k], left[trial])
        if k > STEADIEST:
            ratio = _kenward_roger(part, nodes[STEADIEST], left[trial])[1]
        found[:, reach, trial] = plain, plain * ratio, df
    return found


def _kenward_roger(columns: Floats, node: _Node, left: Floats) -> tuple[Floats, Floats, Floats]:
    """Plain variance, adjusted over plain, and df of the last condition, for a variance of 1."""
    factors = _at_node(columns, node)
    q = len(columns) - 1
    basis = factors.basis(q)

    def turned(middle: Floats) -> Floats:
        return turn(basis, full(_sandwiched(columns, middle), q))

    G, GG, H, GH = (turned(m) for m in (node.SGS, node.SGSGS, node.SHS, node.SGSHS))
    matrices = {"G": G, "GG": GG, "H": H, "GH": GH}
    trace = {name: np.einsum("iir->r", matrix) for name, matrix in matrices.items()}
    # traces of P G, P H, P G P G and P G P H
    g, h = node.trace["G"] - trace["G"], node.trace["H"] - trace["H"]
    gg = node.trace["GG"] - 2 * trace["GG"] + np.einsum("ijr,ijr->r", G, G)
    gh = node.trace["GH"] - 2 * trace["GH"] + np.einsum("ijr,ijr->r", G, H)
    det = (left * gg - g**2) / 2
    w00, w01, w11 = gg / det, -g / det, left / det
    last = np.einsum("jr,jr->r", G[-1], G[-1])
    inner = w11 * (GG[-1, -1] - last - H[-1, -1] / 4) - w01 * G[-1, -1] / 2
    # 2009: half the curvature of V, weighted by W, shifts the covariance parameters by b
    by_variance = 2 * w01 * g + w11 * h
    by_phi = 2 * w01 * gg + w11 * gh
    b0 = -(w00 * by_variance + w01 * by_phi) / 4
    b1 = -(w01 * by_variance + w11 * by_phi) / 4
    slope = G[-1, -1]
    df = 2 / (w00 + 2 * w01 * slope + w11 * slope**2)
    return factors.inverse[q - 1], 1 + 2 * inner - b0 - b1 * slope, df
