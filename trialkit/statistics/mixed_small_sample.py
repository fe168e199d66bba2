"""Kenward-Roger inference for any covariance structure, by matrices.

Kenward & Roger 1997, Biometrics 53:983-997 (equation numbers below), and the bias correction for
covariances that are not linear in their parameters, Kenward & Roger 2009, Computational
Statistics & Data Analysis 53:2583-2595.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.contrasts import LinearContrast, from_variance
from trialkit.statistics.fixed_effects import Array

# Below this both parts of a fraction in the matching of the F test are taken for zero.
_ZERO = 1e-12
# So near to two denominator df the scaling is a quotient of two rounding errors; its limit is one.
_NEAR_TWO = 1e-2


@dataclass(frozen=True, eq=False)
class Covariance:
    """Covariance V (n, n) of the outcome with its derivatives in the r parameters.

    ``first`` has shape (r, n, n), ``second`` (r, r, n, n) or None where V is linear.
    """

    V: Array
    first: Array
    second: Array | None = None


@dataclass(frozen=True, slots=True)
class FTest:
    """A joint test of several contrasts: ``F`` is already scaled to its F distribution."""

    F: float
    numerator_df: int
    denominator_df: float
    scaling: float

    @property
    def p(self) -> float:
        """Upper tail of F."""
        return float(stats.f.sf(self.F, self.numerator_df, self.denominator_df))


@dataclass(frozen=True, eq=False)
class SmallSample:
    """Fixed effects with plain and adjusted covariance, ready for contrasts.

    ``phi`` and ``adjusted`` have shape (p, p); ``gradient`` (r, p, p) holds the derivatives of
    phi in the covariance parameters, ``W`` (r, r) the inverse expected information.
    """

    beta: Array
    phi: Array
    adjusted: Array
    gradient: Array
    W: Array

    def contrast(self, c: Array, *, floor: bool = False) -> LinearContrast:
        """Linear combination c'b with its adjusted SE and Kenward-Roger df.

        With ``floor`` the variance is never below the unadjusted one and the df never below 1:
        with few periods and serial correlation the adjustment can overshoot.
        """
        plain, adjusted = float(c @ self.phi @ c), float(c @ self.adjusted @ c)
        g = np.einsum("i,rij,j->r", c, self.gradient, c)
        df = 2 * plain**2 / float(g @ self.W @ g)
        if floor:
            adjusted, df = max(adjusted, plain), max(df, 1.0)
        return from_variance(float(c @ self.beta), adjusted, df)

    def satterthwaite(self, c: Array, W_observed: Array) -> LinearContrast:
        """Linear combination with the plain SE and df from the observed information."""
        plain = float(c @ self.phi @ c)
        g = np.einsum("i,rij,j->r", c, self.gradient, c)
        return from_variance(float(c @ self.beta), plain, 2 * plain**2 / float(g @ W_observed @ g))

    def f_test(self, L: Array) -> FTest:
        """Scaled Wald F of L b = 0 for L (l, p), Kenward & Roger 1997 section 3.

        Their A1, A2, B, g, c1, c2, c3, E*, V*, rho, m (denominator df) and lambda (scaling).
        """
        rank = len(L)
        if rank == 1:
            single = self.contrast(L[0])
            return FTest((single.estimate / single.se) ** 2, 1, single.df, 1.0)
        middle = L.T @ np.linalg.solve(L @ self.phi @ L.T, L)
        # Phi P_i Phi is minus the derivative of phi; A1 and A2 are even in that sign.
        parts = np.einsum("ij,rjk->rik", middle, self.gradient)
        traces = np.einsum("rii->r", parts)
        A1 = float(traces @ self.W @ traces)
        A2 = float(np.einsum("rs,rij,sji->", self.W, parts, parts))
        m, scaling = _match_moments(A1, A2, rank)
        effects = L @ self.beta
        wald = effects @ np.linalg.solve(L @ self.adjusted @ L.T, effects)
        return FTest(float(scaling * wald / rank), rank, m, scaling)


def small_sample(y: Array, X: Array, covariance: Covariance, *, bias: bool = False) -> SmallSample:
    """Generalised least squares with the Kenward-Roger adjusted covariance.

    Parameters
    ----------
    y, X : arrays (n,), (n, p)
    covariance : V and its derivatives at the REML estimate
    bias : bool
        Also take out the effect of the bias of the covariance parameters (the 2009 paper);
        zero where V is linear in them.
    """
    Vi = np.linalg.inv(covariance.V)
    phi: Array = np.asarray(np.linalg.inv(X.T @ Vi @ X), dtype=np.float64)
    ViX = Vi @ X
    G = covariance.first
    GViX = G @ ViX
    P_i = -np.einsum("ip,riq->rpq", ViX, GViX)
    Q = np.einsum("rip,siq->rspq", GViX, Vi @ GViX)
    P = Vi - ViX @ phi @ ViX.T
    PG = P @ G
    W = np.linalg.inv(0.5 * np.einsum("rij,sji->rs", PG, PG))
    gradient = -np.einsum("pa,rab,bq->rpq", phi, P_i, phi)
    inner = Q - np.einsum("rpa,ab,sbq->rspq", P_i, phi, P_i)
    if covariance.second is not None:
        inner -= 0.25 * np.einsum("ip,rsij,jq->rspq", ViX, covariance.second, ViX)
    adjusted: Array = phi + 2 * phi @ np.einsum("rs,rspq->pq", W, inner) @ phi
    if bias and covariance.second is not None:
        adjusted -= np.einsum("r,rpq->pq", _parameter_bias(PG, P, covariance.second, W), gradient)
    # Values with many equal leading digits lose their differences in the products below, so a
    # common level goes straight into the mean where the model has one.
    level = float(y.mean()) if np.all(X[:, 0] == 1) else 0.0
    beta = np.asarray(phi @ (ViX.T @ (y - level)))
    beta[0] += level
    return SmallSample(beta, phi, (adjusted + adjusted.T) / 2, gradient, W)


def _parameter_bias(PG: Array, P: Array, second: Array, W: Array) -> Array:
    # b_s = -1/4 sum_ijk W_si W_jk tr(P G_i P V_jk)
    curvature = np.einsum("jk,jkab->ab", W, second)
    traces = np.einsum("rab,bc,ca->r", PG, P, curvature)
    return np.asarray(-0.25 * W @ traces)


def _match_moments(A1: float, A2: float, rank: int) -> tuple[float, float]:
    B = (A1 + 6 * A2) / (2 * rank)
    g = ((rank + 1) * A1 - (rank + 4) * A2) / ((rank + 2) * A2)
    base = 3 * rank + 2 * (1 - g)
    c1, c2, c3 = g / base, (rank - g) / base, (rank + 2 - g) / base
    # rho = V / (2 E^2) with E = 1 / (1 - A2 / l) written out: with two df in a balanced table both
    # parts of the middle fraction are zero, and its limit is one.
    inner, outer = 1 - A2 / rank, 1 - c2 * B
    share = 1.0 if max(abs(inner), abs(outer)) < _ZERO else inner / (outer or _ZERO)
    rho = share**2 * (1 + c1 * B) / ((1 - c3 * B) or _ZERO) / rank
    m = 4 + (rank + 2) / ((rank * rho - 1) or _ZERO)
    scaling = 1.0 if abs(m - 2) < _NEAR_TWO else m * inner / (m - 2)
    if not (m > 0 and scaling > 0):
        raise UnanswerableError(_no_joint_test(rank))
    return m, scaling


def _no_joint_test(rank: int) -> Problem:
    return Problem(
        where="conditions",
        found=f"too few periods to test {rank + 1} conditions at once",
        wrong="the noise is known too badly for a joint test.",
        fix="measure more blocks, or compare conditions two by two.",
    )
