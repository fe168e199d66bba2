"""REML with Kenward-Roger error for many trials whose orders and missed periods all differ.

With one random block effect everything the restricted likelihood needs from a trial are sums of
squares and products of its columns: within blocks (W) and of block means, separately for each
block size s (B_s). At a variance ratio ``phi`` the information is W + sum_s g_s B_s with
g_s = 1/(1 + s phi). Factorising it together with the response gives log determinant, residual sum
of squares and the contrast at once, so that a few matrices of the size of the model replace one of
the size of the trial.

Sources: Patterson & Thompson 1971 (REML); Kenward & Roger 1997, Biometrics 53:983.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.fits import Fits
from trialkit.planning.model_columns import Terms, model_columns
from trialkit.planning.quantiles import Floats
from trialkit.planning.small_matrices import (
    Factors,
    factorise,
    full,
    log_pivot_slopes,
    place,
    squares,
    turn,
)
from trialkit.planning.trials import Trials

_X: Final = np.concatenate([np.arange(0.0, 6.0, 0.4), np.linspace(6.0, np.log(1e10), 7)])
"""Nodes of the search in x = ln(1 + largest block * phi): close where trials are, then wide."""
_STEPS = 60
_DONE = 1e-9
_CONFOUNDED = 1e-9
_RUNAWAY = np.log(1e6)


@dataclass(frozen=True, eq=False)
class Products:
    """Squares and products of the columns [mean, nuisance, conditions, response], as triangles.

    ``within`` blocks; ``between``, one per block size in ``sizes``; ``counts`` (sizes, trials)
    blocks of each size; ``raw`` (q, trials) the columns' own squares; ``left`` (trials,) residual
    degrees of freedom.
    """

    within: Floats
    between: tuple[Floats, ...]
    sizes: tuple[int, ...]
    counts: Floats
    raw: Floats
    left: Floats

    @property
    def q(self) -> int:
        """Number of columns with the response."""
        return len(self.raw)

    def pick(self, trials: NDArray[np.intp]) -> Products:
        """Return some of the trials."""
        return Products(
            self.within[:, trials],
            tuple(b[:, trials] for b in self.between),
            self.sizes,
            self.counts[:, trials],
            self.raw[:, trials],
            self.left[trials],
        )

    def shrinkage(self, phi: Floats | float) -> list[Floats | float]:
        """g_s for each block size."""
        return [1 / (1 + s * phi) for s in self.sizes]

    def factors(self, phi: Floats | float) -> Factors:
        """Factors of the information at ``phi``."""
        M = self.within.copy()
        for b, g in zip(self.between, self.shrinkage(phi), strict=True):
            M += b * g
        return factorise(M, self.raw)

    def blocks(self, per_size: list[Floats | float]) -> Floats:
        """Sum over blocks of a figure that depends on their size."""
        return np.asarray(sum(n * f for n, f in zip(self.counts, per_size, strict=True)))


def fit_mixed_blocks(trials: Trials, terms: Terms, *, guarded: bool = False) -> Fits:
    """Fit each trial by REML with a random block effect and Kenward-Roger error.

    The block variance is kept at or above zero and its component stays in the degrees of freedom
    at the boundary, as in ``trialkit.statistics.mixed_blocks``; with ``guarded`` the noise is never
    below that inside blocks there.
    """
    products = _products(trials, terms)
    fits = Fits.without_answer(trials.y.shape[1])
    places = np.flatnonzero(_answerable(products, trials.conditions))
    if not places.size:
        return fits
    x = _best_x(products.pick(places))
    # Without a degree of freedom inside the blocks the search can run away to "all noise lies
    # between blocks", which leaves none to judge by.
    judged = (x < _RUNAWAY) | (_inner_df(products)[places] > 0)
    places, phi = places[judged], np.expm1(x[judged]) / products.sizes[-1]
    found = _kenward_roger(products.pick(places), phi)
    if guarded:
        found = _guard(found, products.pick(places), phi)
    return fits.put(places, found)


def _guard(fits: Fits, products: Products, phi: Floats) -> Fits:
    df = _inner_df(products)
    squares = factorise(products.within, products.raw).pivots[-1]
    inside = np.where(df > 0, squares / np.maximum(df, 1.0), 0.0)
    return replace(
        fits, residual=np.where(phi == 0, np.maximum(fits.residual, inside), fits.residual)
    )


def _products(trials: Trials, terms: Terms) -> Products:
    columns = model_columns(trials, terms)
    n = trials.y.shape[1]
    here = np.ones((1, *trials.y.shape)) if trials.present is None else trials.present[None] * 1.0
    columns = np.concatenate([here, columns])
    by_block = columns.reshape(columns.shape[0], -1, trials.block_size, n)
    sums = by_block.sum(axis=2)
    size = sums[0]
    within = squares(columns)
    q = columns.shape[0]
    raw = within[[place(i, i) for i in range(q)]]
    sizes = tuple(s for s in range(1, trials.block_size + 1) if (size == s).any())
    between, counts = [], []
    for s in sizes:
        mine = size == s
        between.append(squares(sums if len(sizes) == 1 else sums * mine) / s)
        within -= between[-1]
        counts.append(mine.sum(axis=0))
    left = raw[0] - factorise(within + sum(between), raw).kept[:-1].sum(axis=0)
    return Products(within, tuple(between), sizes, np.array(counts, dtype=float), raw, left)


def _inner_df(products: Products) -> Floats:
    """Degrees of freedom of the noise inside blocks, by themselves."""
    columns = factorise(products.within, products.raw).kept[:-1].sum(axis=0)
    return np.asarray(products.blocks([s - 1.0 for s in products.sizes]) - columns)


def _answerable(products: Products, conditions: int) -> NDArray[np.bool_]:
    """Whether all conditions and both variances can be estimated."""
    q = products.q
    estimable = products.factors(0.0).kept[q - conditions : q - 1].all(axis=0)
    # The two variances are confounded where their information is singular already at ratio zero.
    part = np.flatnonzero(estimable & (products.left > 1))
    information = _Turned(products.pick(part), 0.0).information()
    det = information["bb"] * information["ee"] - information["be"] ** 2
    answerable = np.zeros(estimable.size, dtype=bool)
    answerable[part] = det > _CONFOUNDED * information["bb"] * information["ee"]
    return answerable


def _best_x(products: Products) -> Floats:
    """The restricted maximum of each trial, searched over all ratios before any local step."""
    criterion = np.stack([_criterion(products, x) for x in _X])
    best = np.argmin(criterion, axis=0)
    slope = _slope(products, _X[best])
    # The best node's own side of the bracket cannot hold another, lower basin.
    low = np.where(slope < 0, _X[best], _X[np.maximum(best - 1, 0)])
    high = np.where(slope < 0, _X[np.minimum(best + 1, _X.size - 1)], _X[best])
    x = low.copy()
    inside = np.flatnonzero(low < high)
    if inside.size:
        x[inside] = _root(products.pick(inside), low[inside], high[inside])
    return np.asarray(x)


def _criterion(products: Products, x: float) -> Floats:
    """Minus twice the restricted log-likelihood, up to a constant, at one ratio for all trials."""
    phi = float(np.expm1(x)) / products.sizes[-1]
    factors = products.factors(phi)
    pivots = np.where(factors.kept, factors.pivots, 1.0)
    spread = products.blocks([float(np.log1p(s * phi)) for s in products.sizes])
    fixed = np.log(pivots[:-1].prod(axis=0))
    return np.asarray(spread + fixed + products.left * np.log(pivots[-1]))


def _slope(products: Products, x: Floats) -> Floats:
    """Derivative of the criterion in ``phi``."""
    phi = np.expm1(x) / products.sizes[-1]
    weights = products.shrinkage(phi)
    change = np.zeros_like(products.within)
    for s, b, g in zip(products.sizes, products.between, weights, strict=True):
        change -= b * (s * g * g)
    slopes = log_pivot_slopes(products.factors(phi), change)
    spread = products.blocks([s * g for s, g in zip(products.sizes, weights, strict=True)])
    result: Floats = spread + slopes[:-1].sum(axis=0) + products.left * slopes[-1]
    return result


def _root(products: Products, low: Floats, high: Floats) -> Floats:
    """Zero of the slope between ``low`` (falling) and ``high`` (rising): Illinois rule."""
    result = np.empty(low.size)
    rows = np.arange(low.size)
    at_low, at_high = _slope(products, low), _slope(products, high)
    x, side = low, np.zeros(low.size)
    for _ in range(_STEPS):
        share = at_low / np.where(at_low == at_high, np.inf, at_low - at_high)
        moved = low + np.clip(share, 0.0, 1.0) * (high - low)
        result[rows] = moved
        open_ = np.abs(moved - x) > _DONE
        if not open_.any():
            break
        x = moved
        if open_.mean() < 0.5:
            keep = np.flatnonzero(open_)
            products, rows = products.pick(keep), rows[keep]
            columns = (low, high, at_low, at_high, x, side)
            low, high, at_low, at_high, x, side = (column[keep] for column in columns)
        slope = _slope(products, x)
        falling = slope < 0
        # The end that stays twice in a row counts half, or the bracket would never close.
        at_high = np.where(falling, np.where(side > 0, at_high / 2, at_high), slope)
        at_low = np.where(falling, slope, np.where(side < 0, at_low / 2, at_low))
        low, high = np.where(falling, x, low), np.where(falling, high, x)
        side = np.where(falling, 1.0, -1.0)
    return result


class _Turned:
    """The matrices of the 1997 paper at one ratio, in the basis that makes the information 1.

    There every product X' V^-1 G .. G V^-1 X, with G the block or the residual matrix, is a
    weighted sum of the turned B_s with powers of g_s and s as weights.
    """

    def __init__(self, products: Products, phi: Floats | float) -> None:
        self.products = products
        self.factors = products.factors(phi)
        self._g = products.shrinkage(phi)
        q = products.q - 1
        basis = self.factors.basis(q)
        self._between = [turn(basis, full(b, q)) for b in products.between]
        one = np.eye(q)[:, :, None] * self.factors.kept[:q, None]
        self._within = one - sum(t * g for t, g in zip(self._between, self._g, strict=True))
        self.D = {"b": self._weighted(2, 1), "e": self._weighted(2, 0)}
        self.Q = {pair: self._weighted(3, pair.count("b")) for pair in ("bb", "be", "ee")}

    def _weighted(self, power: int, blocks: int) -> Floats:
        parts = zip(self._between, self.products.sizes, self._g, strict=True)
        between = sum(t * (s**blocks * g**power) for t, s, g in parts)
        return np.asarray(between if blocks else between + self._within)

    def _trace(self, blocks: int) -> Floats:
        inner = 0.0 if blocks else 1.0
        sizes = zip(self.products.sizes, self._g, strict=True)
        return self.products.blocks([s**blocks * g**2 + inner * (s - 1) for s, g in sizes])

    def information(self) -> dict[str, Floats]:
        """Expected information of block and residual variance (for a residual variance of 1)."""
        return {
            pair: 0.5
            * (
                self._trace(pair.count("b"))
                - 2 * np.einsum("iir->r", Q)
                + np.einsum("ijr,ijr->r", self.D[pair[0]], self.D[pair[1]])
            )
            for pair, Q in self.Q.items()
        }


def _kenward_roger(products: Products, phi: Floats) -> Fits:
    """Estimate, adjusted variance and df of the last condition's coefficient.

    In the turned basis the contrast is the last coordinate.
    """
    turned = _Turned(products, phi)
    W = _inverse(turned.information())
    d_b, d_e = turned.D["b"][-1, -1], turned.D["e"][-1, -1]
    df = 2 / (W["bb"] * d_b**2 + 2 * W["be"] * d_b * d_e + W["ee"] * d_e**2)
    inflation = np.zeros_like(df)
    for pair, times in (("bb", 1), ("be", 2), ("ee", 1)):
        coupled = np.einsum("jr,jr->r", turned.D[pair[0]][-1], turned.D[pair[1]][-1])
        inflation += times * W[pair] * (turned.Q[pair][-1, -1] - coupled)
    q, factors = products.q - 1, turned.factors
    variance = factors.inverse[q - 1] * (1 + 2 * inflation)
    return Fits(factors.L[place(q, q - 1)], factors.pivots[-1] / products.left, variance, df)


def _inverse(information: dict[str, Floats]) -> dict[str, Floats]:
    det = information["bb"] * information["ee"] - information["be"] ** 2
    return {
        "bb": information["ee"] / det,
        "be": -information["be"] / det,
        "ee": information["bb"] / det,
    }
