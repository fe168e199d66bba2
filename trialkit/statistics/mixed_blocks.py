"""Mixed model with one random block effect: exact REML in one variance ratio.

With y = Xb + Zu + e the restricted likelihood depends on the data through one rotation only, so
the ratio r = block variance / residual variance is found on a line, globally. Notation: A is an
orthonormal basis of the null space of X', A'ZZ'A = U diag(d) U', z = U'A'y, w = 1 + r d.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, log

import numpy as np

from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.contrasts import LinearContrast, from_variance
from trialkit.statistics.fixed_effects import Array

# The restricted likelihood can have two modes (seen with a trend and two missing periods), so a
# grid over all ratios comes before any local search. The top of the grid stands for "noise only
# between blocks"; 1e10 is past every ratio a measured trial can show.
_GRID = np.expm1(np.concatenate([np.arange(0.0, 6.0, 0.4), np.linspace(6.0, log(1e10), 13)]))
_ALL_BETWEEN = 1e9
# Newton's steps end when one moves the ratio by less than this share of it: the error that is
# left is of the order of the square.
_CLOSE = 1e-6
_MOST_STEPS = 100
# Eigenvalues closer than this share of the largest are one; rounding leaves about 1e-15.
_SAME = 1e-10


@dataclass(frozen=True, eq=False)
class BlockRotation:
    """What depends on the design alone; fit any number of outcomes through it.

    ``d`` has shape (n - p,), ``basis`` (n, n - p) holds the columns AU.
    """

    X: Array
    Z: Array
    d: Array
    basis: Array

    @classmethod
    def of(cls, X: Array, Z: Array) -> BlockRotation:
        """Rotate a design with fixed effects X (n, p) and block indicators Z (n, blocks).

        Raises
        ------
        UnanswerableError
            When noise between and within blocks cannot be told apart.
        """
        A = np.linalg.qr(X, mode="complete")[0][:, X.shape[1] :]
        ZA = Z.T @ A
        d, U = np.linalg.eigh(ZA.T @ ZA)
        if not d.size or d[-1] - d[0] < 1e-9:
            raise UnanswerableError(
                Problem(
                    where="blocks",
                    found=f"{Z.shape[1]} blocks for {len(X)} periods",
                    wrong="noise between blocks cannot be told apart from noise within them.",
                    fix="put at least two periods into a block, or use more blocks.",
                )
            )
        # Rounding leaves eigenvalues of -1e-16 where the true ones are zero.
        return cls(X=X, Z=Z, d=np.where(d < 1e-10, 0.0, d), basis=A @ U)


@dataclass(frozen=True, eq=False)
class BlockFit:
    """REML fit with one random block effect.

    ``ratio`` is block over residual variance, zero at the boundary; ``information_inverse`` (2, 2)
    the inverse expected information of (block, residual) variance.
    """

    rotation: BlockRotation
    y: Array
    z: Array
    ratio: float
    residual: float
    information_inverse: Array

    @property
    def block(self) -> float:
        """Block variance."""
        return self.ratio * self.residual

    @property
    def residual_df(self) -> float:
        """Degrees of freedom of the residual variance, matched on its sampling variance."""
        return 2 * self.residual**2 / float(self.information_inverse[1, 1])

    def guarded(self) -> BlockFit:
        """The same fit with the noise taken no smaller than inside blocks at a ratio of zero.

        At a block variance of zero the restricted likelihood pools noise between and inside
        blocks, and does so just when the part between blocks came out small by chance: the test
        then rejects in up to 6 % in place of 5. With the mean square inside blocks as the least
        noise the rate is 5 % again (`reports/calibration`), and complete blocks give the t of
        their differences.
        """
        inside = self.z[self.rotation.d == 0.0]
        least = float(inside @ inside) / inside.size if inside.size else 0.0
        if self.ratio > 0 or least <= self.residual:
            return self
        grown = (least / self.residual) ** 2
        information_inverse = self.information_inverse * grown
        return replace(self, residual=least, information_inverse=information_inverse)

    def contrast(self, c: Array, *, small_sample: str = "kenward-roger") -> LinearContrast:
        """Linear combination c'b with Kenward-Roger or Satterthwaite degrees of freedom.

        Kenward & Roger 1997, Biometrics 53:983: for one contrast the matching constants collapse
        to scale one and df = 2 (c'Phi c)^2 / (g'Wg), g the gradient of c'Phi c in the variances,
        W the inverse expected information; the variance is their adjusted one. Satterthwaite
        takes the plain variance and the observed information, and at a block variance of zero
        the residual degrees of freedom, as lmerTest does.
        """
        parts = _ContrastParts.of(self, c)
        if small_sample == "satterthwaite":
            df = parts.satterthwaite_df(self)
            return from_variance(parts.estimate, self.residual * parts.v, df)
        W = self.information_inverse / self.residual**2
        gradient = np.array([parts.v_block, parts.v_residual])
        spread = W[0, 0] - 2 * self.ratio * W[0, 1] + self.ratio**2 * W[1, 1]
        variance = self.residual * (parts.v + 2 * spread * parts.h2_w3)
        return from_variance(parts.estimate, variance, 2 * parts.v**2 / (gradient @ W @ gradient))


@dataclass(frozen=True, slots=True)
class _ContrastParts:
    """c'b, its variance over the residual variance, and derivatives of c'Phi c (residual = 1)."""

    estimate: float
    v: float
    v_block: float
    v_residual: float
    h2_w3: float

    @classmethod
    def of(cls, fit: BlockFit, c: Array) -> _ContrastParts:
        X, Z, d, r = fit.rotation.X, fit.rotation.Z, fit.rotation.d, fit.ratio
        a = X @ np.linalg.solve(X.T @ X, c)
        Za = Z.T @ a
        h = fit.rotation.basis.T @ (Z @ Za)
        w = 1 + r * d
        hw = h / w
        a2, Za2, h2_w, h2_w2 = float(a @ a), float(Za @ Za), float(h @ hw), float(hw @ hw)
        return cls(
            estimate=float(a @ fit.y) - r * float(hw @ fit.z),
            v=a2 + r * Za2 - r**2 * h2_w,
            v_block=Za2 - 2 * r * h2_w + r**2 * float((hw * d) @ hw),
            v_residual=a2 + r**2 * h2_w2,
            h2_w3=float((hw / w) @ hw),
        )

    def satterthwaite_df(self, fit: BlockFit) -> float:
        if fit.ratio == 0:
            return float(fit.z.size)
        gradient = np.array([self.v_block, self.v_residual])
        W = np.linalg.inv(_observed_information(fit)) / fit.residual**2
        return float(2 * self.v**2 / (gradient @ W @ gradient))


def fit_blocks(y: Array, rotation: BlockRotation) -> BlockFit:
    """Fit one outcome y (n,) by restricted maximum likelihood, block variance kept >= 0.

    Patterson & Thompson 1971, Biometrika 58:545, in the rotated form: minimise
    sum log w + (n - p) log(sum z^2 / w) over r >= 0.

    Raises
    ------
    UnanswerableError
        When the fixed effects leave no noise within blocks.
    """
    z = rotation.basis.T @ (y - y.mean())
    d, m = rotation.d, z.size
    inside = z[d == 0.0]
    within = float(inside @ inside) if inside.size else inf
    if within <= 1e-20 * max(float(y @ y), 1e-300) or not z.any():
        raise UnanswerableError(_no_noise())
    z2 = z**2
    ratio = _Groups.of(z2, d).best_ratio()
    if ratio * float(d[-1]) > _ALL_BETWEEN:
        raise UnanswerableError(_no_noise())
    w = 1 + ratio * d
    residual = float((z2 / w).sum()) / m
    return BlockFit(
        rotation=rotation,
        y=y,
        z=z,
        ratio=ratio,
        residual=residual,
        information_inverse=_information_inverse(d / w, 1 / w) * residual**2,
    )


def _no_noise() -> Problem:
    return Problem(
        where="outcome",
        found="values without any noise inside the blocks",
        wrong="a mixed model has nothing to judge a difference by.",
        fix="check the outcome column, or repeat the conditions in more blocks.",
    )


def _information_inverse(u: Array, v: Array) -> Array:
    """Inverse expected information of (block, residual) variance for a residual variance of 1."""
    bb, be, ee = float(u @ u) / 2, float(u @ v) / 2, float(v @ v) / 2
    return np.array([[ee, -be], [-be, bb]]) / (bb * ee - be**2)


@dataclass(frozen=True, slots=True)
class _Groups:
    """Directions with one eigenvalue d taken together: their number and their squares.

    Plain numbers, because designs have two to five groups and a search of a few steps.
    """

    d: list[float]
    count: list[float]
    squares: list[float]

    @classmethod
    def of(cls, z2: Array, d: Array) -> _Groups:
        values: list[float] = []
        counts: list[float] = []
        squares: list[float] = []
        same = _SAME * float(d[-1])
        for value, square in zip(d.tolist(), z2.tolist(), strict=True):
            if values and value - values[-1] <= same:
                counts[-1] += 1.0
                squares[-1] += square
            else:
                values.append(value)
                counts.append(1.0)
                squares.append(square)
        return cls(values, counts, squares)

    def best_ratio(self) -> float:
        """Ratio with the highest restricted likelihood, zero or above."""
        grid = _GRID / self.d[-1]
        w = 1 + np.outer(grid, self.d)
        criterion = np.log(w) @ self.count + sum(self.count) * np.log((1 / w) @ self.squares)
        best = int(criterion.argmin())
        low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)])
        if best == 0 and self.slope_and_bend(0.0)[0] >= 0:
            return 0.0
        return self._root(low=low, start=float(grid[best]) or high / 2, high=high)

    def _root(self, *, low: float, start: float, high: float) -> float:
        """Ratio at which the slope of the criterion vanishes: Newton, kept in the bracket."""
        ratio = start
        for _ in range(_MOST_STEPS):
            slope, bend = self.slope_and_bend(ratio)
            if slope < 0:
                low = ratio
            else:
                high = ratio
            following = ratio - slope / bend if bend > 0 else low - 1
            if not low <= following <= high:
                following = (low + high) / 2
            if abs(following - ratio) <= _CLOSE * ratio:
                return following
            ratio = following
        return ratio

    def slope_and_bend(self, ratio: float) -> tuple[float, float]:
        """First and second derivative of the criterion in the ratio."""
        total = first = second = spread = curve = left = 0.0
        for d, count, squares in zip(self.d, self.count, self.squares, strict=True):
            v = 1 / (1 + ratio * d)
            u, scaled = d * v, squares * v
            left += count
            total += scaled
            first += scaled * u
            second += scaled * u * u
            spread += count * u
            curve += count * u * u
        mean = first / total
        return spread - left * mean, left * (2 * second / total - mean**2) - curve


def _observed_information(fit: BlockFit) -> Array:
    """Minus the second derivatives of the restricted log-likelihood in (block, residual)."""
    d, s2 = fit.rotation.d, fit.residual
    w, z2 = 1 + fit.ratio * d, fit.z**2
    weights = z2 / (s2 * w) - 0.5
    terms = np.array([[d**2, d], [d, np.ones(d.size)]]) * weights / w**2
    return np.asarray(terms.sum(axis=2) / s2**2)
