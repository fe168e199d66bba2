"""One estimated difference with its standard error and degrees of freedom."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from scipy import stats

from trialkit.domain.estimates import Contrast, Interval


@dataclass(frozen=True, slots=True)
class LinearContrast:
    """A difference whose scaled error follows Student's t.

    Examples
    --------
    >>> sleep = LinearContrast(estimate=1.58, se=0.388958723888395, df=9)
    >>> round(sleep.p, 6)
    0.002833
    """

    estimate: float
    se: float
    df: float

    @property
    def p(self) -> float:
        """Two-sided p of no difference."""
        return float(2 * stats.t.sf(abs(self.estimate) / self.se, self.df))

    def interval(self, level: float = 0.95) -> Interval:
        """Two-sided t interval."""
        half = float(stats.t.isf((1 - level) / 2, self.df)) * self.se
        return Interval(self.estimate - half, self.estimate + half, level)

    def named(self, condition: str, reference: str, *, method: str, level: float) -> Contrast:
        """Give the difference its names.

        The second interval has the level 1 - 2(1 - level): 90 % beside 95 %, the interval of two
        one-sided tests at 5 %.
        """
        return Contrast(
            condition=condition,
            reference=reference,
            method=method,
            estimate=self.estimate,
            interval=self.interval(level),
            se=self.se,
            df=self.df,
            p=self.p,
            interval_90=self.interval(equivalence_level(level)),
        )


def equivalence_level(level: float) -> float:
    """Level of the interval of two one-sided tests: 0.9 beside 0.95."""
    return round(2 * level - 1, 12)


def from_variance(estimate: float, variance: float, df: float) -> LinearContrast:
    """Build a contrast from its variance."""
    return LinearContrast(float(estimate), sqrt(variance), float(df))
