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

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.fits import Fits
from trialkit.planning.model_columns import Terms, model_columns
from trialkit.planning.quantiles import Floats
from trialkit.planning.small_matrices import Factors, factorise, sandwich
from trialkit.planning.trials import Trials

_LARGEST_X = np.log(1e10)
"""Upper end of the search in x = ln(1 + largest block * phi)."""
_NODES = 24
_STEPS = 40
_DONE = 1e-9


@dataclass(frozen=True, eq=False)
class Products:
    """Sums of squares and products of the columns [mean, nuisance, conditions, response].

    ``within`` (q, q, trials); ``between`` one such array per block size in ``sizes``; ``counts``
    (sizes, trials) blocks of each size; ``raw`` (q, trials) the columns' own squares.
    """

    within: Floats
    between: tuple[Floats, ...]
    sizes: tuple[int, ...]
    counts: Floats
    raw: Floats

    def pick(self, trials: NDArray[np.intp]) -> Products:
        """Return some of the trials."""
        return Products(
            self.within[..., trials],
            tuple(b[..., trials] for b in self.between),
            self.sizes,
            self.counts[:, trials],
            self.raw[:, trials],
        )

    def shrunken(self, phi: Floats, power: int) -> list[Floats]:
        """Return s^(power - 1) * g_s^power for each block size s."""
        return [s ** (power - 1) / (1 + s * phi) ** power for s in self.sizes]

    def weigh(self, weights: list[Floats]) -> Floats:
        """Sum of the between-block products times one weight per block size."""
        return sum((b * w for b, w in zip(self.between, weights, strict=True)), np.zeros(()))


def fit_mixed_blocks(trials: Trials, terms: Terms) -> Fits:
    """Fit each trial by REML with a random block effect and Kenward-Roger error.

    The block variance is kept at or above zero and its component stays in the degrees of freedom
    at the boundary, as in ``trialkit.statistics.mixed_blocks``.
    """
    products = _products(trials, terms)
    fixed = factorise(
        products.within + products.weigh(products.shrunken(np.zeros(1), 1)), products.raw
    )
    q = products.within.shape[0]
    periods = (np.array(products.sizes)[:, None] * products.counts).sum(axis=0)
    left = periods - fixed.kept[:-1].sum(axis=0)
    ok = fixed.kept[q - 2] & (left > 1) & _separable(products, left)
    fits = Fits.without_answer(ok.size)
    places = np.flatnonzero(ok)
    if not places.size:
        return fits
    answer = _Reml(products.pick(places), left[places])
    return fits.put(places, answer.fit())


def _separable(products: Products, left: Floats) -> NDArray[np.bool_]:
    """Whether noise within blocks can be told from noise between them."""
    q = products.within.shape[0]
    sizes = np.array(products.sizes)[:, None]
    within_rank = factorise(products.within, products.raw).kept[:-1].sum(axis=0)
    within_df = ((sizes - 1) * products.counts).sum(axis=0) - within_rank
    return (within_df > 0) & (left - within_df > 0) & (q > 1)


def _products(trials: Trials, terms: Terms) -> Products:
    columns = model_columns(trials, terms)
    n = trials.y.shape[1]
    here = np.ones((1, *trials.y.shape)) if trials.present is None else trials.present[None] * 1.0
    columns = np.concatenate([here, columns])
    q, m = columns.shape[0], trials.block_size
    sums = columns.reshape(q, -1, m, n).sum(axis=2)
    size = sums[0]
    M = _cross(columns)
    raw = np.einsum("iir->ir", M).copy()
    within, between, counts = M, [], []
    sizes = tuple(s for s in range(1, m + 1) if (size == s).any())
    for s in sizes:
        mine = size == s
        product = _cross(sums if len(sizes) == 1 else sums * mine) / s
        within = within - product
        between.append(product)
        counts.append(mine.sum(axis=0))
    return Products(within, tuple(between), sizes, np.array(counts, dtype=float), raw)


def _cross(columns: Floats) -> Floats:
    q, _, n = columns.shape
    M = np.empty((q, q, n))
    for i in range(q):
        for j in range(i + 1):
            M[i, j] = M[j, i] = np.einsum("tr,tr->r", columns[i], columns[j])
    return M


class _Reml:
    """The search for the variance ratio and the small-sample figures at it."""

    def __init__(self, products: Products, left: Floats) -> None:
        self.products, self.left = products, left
        self.largest = products.sizes[-1]

    def _phi(self, x: Floats) -> Floats:
        return np.expm1(x) / self.largest

    def _factors(self, phi: Floats) -> Factors:
        p = self.products
        return factorise(p.within + p.weigh(p.shrunken(phi, 1)), p.raw)

    def fit(self) -> Fits:
        phi = self._phi(self._ratio())
        return self._kenward_roger(phi)

    def _criterion(self, x: float) -> Floats:
        phi = np.full(1, np.expm1(x) / self.largest)
        factors = self._factors(phi)
        pivots = np.where(factors.kept, factors.pivots, 1.0)
        blocks = sum(
            n * np.log1p(s * phi)
            for s, n in zip(self.products.sizes, self.products.counts, strict=True)
        )
        return blocks + np.log(pivots[:-1].prod(axis=0)) + self.left * np.log(pivots[-1])

    def _ratio(self) -> Floats:
        nodes = np.linspace(0.0, _LARGEST_X, _NODES)
        criterion = np.stack([self._criterion(x) for x in nodes])
        best = np.argmin(criterion, axis=0)
        x = np.zeros(best.size)
        inside = np.flatnonzero((best > 0) | (self._slope(x) < 0))
        if inside.size:
            part = _Reml(self.products.pick(inside), self.left[inside])
            low = nodes[np.maximum(best[inside] - 1, 0)]
            high = nodes[np.minimum(best[inside] + 1, _NODES - 1)]
            x[inside] = part._root(low, high)
        return x

    def _root(self, low: Floats, high: Floats) -> Floats:
        """Zero of the slope between ``low`` (falling) and ``high`` (rising): Illinois rule."""
        at_low, at_high = self._slope(low), self._slope(high)
        x, side = low, np.zeros(low.size)
        for _ in range(_STEPS):
            share = at_low / np.where(at_low == at_high, np.inf, at_low - at_high)
            new = low + np.clip(share, 0.01, 0.99) * (high - low)
            done = np.abs(new - x) < _DONE
            x = new
            if done.all():
                break
            slope = self._slope(x)
            falling = slope < 0
            # The end that stays twice in a row counts half, or the bracket would never close.
            at_high = np.where(falling, np.where(side > 0, at_high / 2, at_high), slope)
            at_low = np.where(falling, slope, np.where(side < 0, at_low / 2, at_low))
            low, high = np.where(falling, x, low), np.where(falling, high, x)
            side = np.where(falling, 1.0, -1.0)
        return x

    def _slope(self, x: Floats) -> Floats:
        """Derivative of the criterion in phi: pivots change by the diagonal of L^-1 M' L^-T."""
        p, phi = self.products, self._phi(x)
        inverse = self._factors(phi).inverse()
        change = -p.weigh(p.shrunken(phi, 2))
        half = np.einsum("ijr,jkr->ikr", inverse, change)
        diagonal = np.einsum("ikr,ikr->ir", half, inverse)
        blocks = sum(n * s / (1 + s * phi) for s, n in zip(p.sizes, p.counts, strict=True))
        slope: Floats = blocks + diagonal[:-1].sum(axis=0) + self.left * diagonal[-1]
        return slope

    def _kenward_roger(self, phi: Floats) -> Fits:
        """Estimate, adjusted standard error and df of the last condition's coefficient.

        In the basis that turns the information into the identity (rows of L^-1) the contrast is
        the last coordinate over its pivot.
        """
        p, q = self.products, self.products.within.shape[0]
        factors = self._factors(phi)
        inverse = factors.inverse()[:-1, :-1]
        last = inverse[-1, -1]
        estimate = factors.L[q - 1, q - 2] * last
        s2 = factors.pivots[-1] / self.left
        x = (slice(0, -1), slice(0, -1))
        g = [1 / (1 + s * phi) for s in p.sizes]

        def turned(power: int, blocks: int) -> Floats:
            # X'V^-1 G..G V^-1 X with ``power`` factors g and ``blocks`` block matrices among them
            weights = [s**blocks * gs**power for s, gs in zip(p.sizes, g, strict=True)]
            matrix = p.weigh(weights)[x] + (p.within[x] if blocks == 0 else 0.0)
            return sandwich(inverse, matrix)

        def trace(blocks: int) -> Floats:
            total = sum(
                n * s**blocks * gs**2 for s, n, gs in zip(p.sizes, p.counts, g, strict=True)
            )
            inner = sum(n * (s - 1) for s, n in zip(p.sizes, p.counts, strict=True))
            return total + (inner if blocks == 0 else 0.0)

        D = {"b": turned(2, 1), "e": turned(2, 0)}
        Q = {"bb": turned(3, 2), "be": turned(3, 1), "ee": turned(3, 0)}
        information = {
            pair: 0.5
            * (
                trace(pair.count("b"))
                - 2 * np.einsum("iir->r", Q[pair])
                + np.einsum("ijr,ijr->r", D[pair[0]], D[pair[1]])
            )
            for pair in Q
        }
        det = information["bb"] * information["ee"] - information["be"] ** 2
        W = {
            "bb": information["ee"] / det,
            "be": -information["be"] / det,
            "ee": information["bb"] / det,
        }
        v, v_b, v_e = last**2, D["b"][-1, -1] * last**2, D["e"][-1, -1] * last**2
        df = 2 * v**2 / (W["bb"] * v_b**2 + 2 * W["be"] * v_b * v_e + W["ee"] * v_e**2)
        inflation = sum(
            (2 if pair == "be" else 1)
            * W[pair]
            * (Q[pair][-1, -1] - np.einsum("jr,jr->r", D[pair[0]][-1], D[pair[1]][-1]))
            for pair in Q
        )
        return Fits(estimate, s2, v * (1 + 2 * inflation), df)
