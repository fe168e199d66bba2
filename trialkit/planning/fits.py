"""The answer of an analysis for many trials at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from trialkit.planning.quantiles import Floats, t_multiplier


@dataclass(frozen=True, eq=False)
class Fits:
    """One estimated difference per trial with what its error is made of; arrays are (trials,).

    The squared standard error is ``residual`` (variance of one measurement) times
    ``unit_variance``; ``df`` degrees of freedom go with it, a single number where they are the same
    for every trial. Without noise of its own a trial has an infinite ``residual`` and no df; where
    the difference itself cannot be estimated ``unit_variance`` is infinite.
    """

    estimate: Floats
    residual: Floats
    unit_variance: Floats | float
    df: Floats | float

    @classmethod
    def without_answer(cls, trials: int) -> Fits:
        """Answers of trials that cannot be analysed."""
        endless = np.full(trials, np.inf)
        return cls(np.zeros(trials), endless, endless, np.zeros(trials))

    @cached_property
    def se(self) -> Floats:
        """Standard error (infinite without an answer)."""
        return np.sqrt(self.residual * self.unit_variance)

    def half_width(self, level: float) -> Floats:
        """Half-width of the two-sided t interval."""
        return t_multiplier(level, self.df) * self.se

    def put(self, places: NDArray[np.intp], other: Fits) -> Fits:
        """Return these answers with those of ``other`` at some places."""
        columns = []
        for name in ("estimate", "residual", "unit_variance", "df"):
            column = np.array(np.broadcast_to(getattr(self, name), self.estimate.shape), float)
            column[places] = getattr(other, name)
            columns.append(column)
        return Fits(*columns)

    def borrowing(self, df: float) -> Fits:
        """Let a noise prior of SD 1 with ``df`` degrees of freedom join the trials' own noise.

        The posterior of ``trialkit.statistics.borrowing`` with a flat effect prior.
        """
        own = np.broadcast_to(self.df, self.estimate.shape)
        squares = np.where(own > 0, own, 0.0) * np.where(own > 0, self.residual, 0.0)
        total = own + df
        return Fits(self.estimate, (df + squares) / total, self.unit_variance, total)


@dataclass(frozen=True, eq=False)
class Intervals:
    """The interval for a difference and the narrower one for equivalence, ends (trials,) each."""

    low: Floats
    high: Floats
    inner_low: Floats
    inner_high: Floats

    @classmethod
    def of(cls, fits: Fits, level: float) -> Intervals:
        """The t intervals of ``level`` and of 2 * level - 1 (90 % beside 95 %)."""
        outer, inner = fits.half_width(level), fits.half_width(2 * level - 1)
        d = fits.estimate
        return cls(d - outer, d + outer, d - inner, d + inner)

    def moved(self, effect: float) -> Intervals:
        """The intervals had the true effect been larger by ``effect``."""
        return Intervals(
            self.low + effect,
            self.high + effect,
            self.inner_low + effect,
            self.inner_high + effect,
        )

    @property
    def excludes_zero(self) -> NDArray[np.bool_]:
        """Whether the interval for a difference lies on one side of zero."""
        result: NDArray[np.bool_] = (self.low > 0) | (self.high < 0)
        return result

    @property
    def half_width(self) -> Floats:
        """Half the width of the interval for a difference."""
        return (self.high - self.low) / 2
