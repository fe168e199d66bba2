"""Mixed models with any number of variance parts: V = sum of theta_i G_i, by REML.

For trials with several measurements in a period, for random slopes, and for series of athletes;
one random block effect has a faster way of its own (`mixed_blocks`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.contrasts import LinearContrast
from trialkit.statistics.fixed_effects import Array
from trialkit.statistics.mixed_small_sample import Covariance, SmallSample, small_sample

# The restricted likelihood can have several modes: searches start from different shares of the
# total variance.
_STARTS = (1.0, 0.05, 8.0)
_STEPS = 200
_CONVERGED = 1e-11


@dataclass(frozen=True, eq=False)
class ComponentsFit:
    """REML fit; ``theta`` (r,) in the order of the patterns, ``criterion`` -2 restricted logL.

    ``W_observed`` (r, r) is the inverse observed information, for Satterthwaite df.
    """

    theta: Array
    criterion: float
    inference: SmallSample
    W_observed: Array

    def contrast(self, c: Array, *, small_sample: str = "kenward-roger") -> LinearContrast:
        """Linear combination c'b with ``kenward-roger`` or ``satterthwaite`` df."""
        if small_sample == "satterthwaite":
            return self.inference.satterthwaite(c, self.W_observed)
        return self.inference.contrast(c)


@dataclass(frozen=True, eq=False)
class _State:
    """Likelihood, score and information at one theta."""

    theta: Array
    criterion: float
    score: Array
    information: Array
    observed: Array


def group_pattern(*labels: NDArray[np.str_] | NDArray[np.int_]) -> Array:
    """Pattern (n, n) of a random effect shared by rows that agree in all the labels."""
    same = np.ones((labels[0].size, labels[0].size), dtype=bool)
    for label in labels:
        same &= label[:, None] == label[None, :]
    return same.astype(float)


def slope_patterns(group: NDArray[np.str_], x: Array) -> list[Array]:
    """Patterns of intercept variance, intercept-slope covariance and slope variance per group."""
    same = group_pattern(group)
    return [same, same * (x[:, None] + x[None, :]), same * np.outer(x, x)]


def fit_components(
    y: Array, X: Array, patterns: list[Array], *, free: tuple[int, ...] = ()
) -> ComponentsFit:
    """Fit y (n,) with fixed effects X (n, p) and the patterns G_i (n, n), the residual last.

    Fisher scoring on the restricted likelihood (Searle, Casella & McCulloch 1992, Variance
    Components, section 8.3) with step halving, variances kept >= 0. ``free`` lists the places of
    covariances, which may be negative as long as V is positive definite.

    Raises
    ------
    UnanswerableError
        When the variance parts cannot be told apart.
    """
    G = np.array(patterns)
    if len(y) - X.shape[1] < len(G):
        raise UnanswerableError(_inseparable(len(G)))
    residual = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    total = float(residual @ residual) / (len(y) - X.shape[1])
    variances = np.array([i not in free for i in range(len(G))])
    size = np.array([float(np.mean(np.abs(np.diag(g)))) or 1.0 for g in G])
    ends = []
    for share in _STARTS:
        start = np.where(variances, share * total / size / len(G), 0.0)
        start[-1] = total / len(G)
        ends.append(_scoring(y - y.mean(), X, G, start=start, variances=variances))
    best = min((end for end in ends if end is not None), key=lambda s: s.criterion, default=None)
    if best is None:
        raise UnanswerableError(_inseparable(len(G)))
    V = np.einsum("r,rij->ij", best.theta, G)
    try:
        inference = small_sample(y, X, Covariance(V, G))
        usable = bool(np.all(np.linalg.eigvalsh(inference.adjusted) > 0))
    except np.linalg.LinAlgError:
        usable = False
    if not usable:
        raise UnanswerableError(_inseparable(len(G)))
    return ComponentsFit(
        theta=best.theta,
        criterion=best.criterion,
        inference=inference,
        W_observed=np.asarray(np.linalg.pinv(best.observed), dtype=np.float64),
    )


def _scoring(
    y: Array, X: Array, G: Array, *, start: Array, variances: NDArray[np.bool_]
) -> _State | None:
    state = _state(y, X, G, start)
    for _ in range(_STEPS):
        if state is None:
            return None
        # A variance at zero that the likelihood pushes further down stays there.
        moving = ~(variances & (state.theta == 0) & (state.score <= 0))
        step = np.zeros(len(G))
        try:
            step[moving] = np.linalg.solve(
                state.information[np.ix_(moving, moving)], state.score[moving]
            )
        except np.linalg.LinAlgError:
            return None
        following = _improved(y, X, G, state=state, step=step, variances=variances)
        if following is None:
            return state
        change = np.abs(following.theta - state.theta)
        state = following
        if np.all(change <= _CONVERGED * np.abs(state.theta).max()):
            return state
    return state


def _improved(
    y: Array, X: Array, G: Array, *, state: _State, step: Array, variances: NDArray[np.bool_]
) -> _State | None:
    for halving in range(40):
        theta = state.theta + step / 2**halving
        theta = np.where(variances & (theta < 0), 0.0, theta)
        following = _state(y, X, G, theta)
        if following is not None and following.criterion <= state.criterion:
            return following
    return None


def _state(y: Array, X: Array, G: Array, theta: Array) -> _State | None:
    V = np.einsum("r,rij->ij", theta, G)
    try:
        root = linalg.cho_factor(V, lower=True)
        Vi = linalg.cho_solve(root, np.eye(len(y)))
        inner = X.T @ Vi @ X
        P = Vi - Vi @ X @ np.linalg.solve(inner, X.T @ Vi)
    except np.linalg.LinAlgError:
        return None
    PG = P @ G
    Py = P @ y
    traces = np.einsum("rii->r", PG)
    pairs = np.einsum("rij,sji->rs", PG, PG)
    GPy = G @ Py
    log_det = 2 * float(np.sum(np.log(np.diag(root[0])))) + float(np.linalg.slogdet(inner)[1])
    return _State(
        theta=theta,
        criterion=log_det + float(y @ Py) + (len(y) - X.shape[1]) * float(np.log(2 * np.pi)),
        score=-0.5 * (traces - GPy @ Py),
        information=0.5 * pairs,
        observed=GPy @ P @ GPy.T - 0.5 * pairs,
    )


def _inseparable(parts: int) -> Problem:
    return Problem(
        where="variance",
        found=f"{parts} sources of variation",
        wrong="the periods measured cannot tell them apart.",
        fix="leave a source out, or measure more blocks and periods.",
    )
