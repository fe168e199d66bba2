"""Printed digits: as many as the standard error supports, units, signs, decimal comma."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, copysign, exp, floor, isfinite, log10
from typing import Final

from trialkit.domain.estimates import Interval
from trialkit.domain.outcomes import Outcome, Scale

MINUS = "\u2212"
HARD_SPACE = "\u00a0"
NO_NUMBER = "–"
POINTS: Final = "points"
"""Percentage points."""
_ONE: Final = {"reps": "rep", "points": "point", "days": "day"}


def decimals_for(error: float | None, *, fallback: int = 1) -> int:
    """Decimals worth printing beside a standard error.

    The three leading digits of the error decide: 100-354 keep two digits, 355-949 keep one,
    950-999 count as 1000 and keep two (Particle Data Group, Review of Particle Physics,
    introduction, "rounding").

    Parameters
    ----------
    error
        Standard error in the unit that is printed; None, zero or not finite gives ``fallback``.

    Examples
    --------
    >>> decimals_for(0.123), decimals_for(0.52), decimals_for(12.0), decimals_for(0.0098)
    (2, 1, 0, 3)
    """
    if error is None or not isfinite(error) or error <= 0:
        return fallback
    exponent = floor(log10(error))
    leading = round(error / 10.0**exponent * 100)
    if leading <= 354:
        digits = 2
    elif leading <= 949:
        digits = 1
    else:
        exponent, digits = exponent + 1, 2
    return max(0, digits - 1 - exponent)


def to_percent(log_value: float) -> float:
    """Turn a difference of natural logs into a change in percent.

    Examples
    --------
    >>> round(to_percent(0.0953101798), 6)
    10.0
    """
    return 100.0 * (exp(log_value) - 1.0)


def rounded(value: float, decimals: int) -> float:
    """Round half away from zero, the same on every processor; never minus zero.

    The last digits of a fit differ between processors: a figure within a billionth of the
    half-way point counts as lying on it.

    Examples
    --------
    >>> rounded(5.25, 1), rounded(5.2499999999999, 1), rounded(-0.04, 1)
    (5.3, 5.3, 0.0)
    """
    scale = 10.0**decimals
    return copysign(floor(abs(value) * scale + 0.5 + 1e-9), value) / scale + 0.0


@dataclass(frozen=True, slots=True)
class Numbers:
    """How numbers are printed on one page: with a decimal point or a decimal comma.

    Examples
    --------
    >>> Numbers(decimal_comma=True).signed(3.14159, 2)
    '+3,14'
    """

    decimal_comma: bool = False

    def plain(self, value: float | None, decimals: int = 1) -> str:
        """Print a number with a true minus sign; an absent number is a dash."""
        if value is None or not isfinite(value):
            return NO_NUMBER
        text = f"{rounded(value, decimals):.{decimals}f}".replace("-", MINUS)
        return text.replace(".", ",") if self.decimal_comma else text

    def signed(self, value: float | None, decimals: int = 1) -> str:
        """Print a number with its sign, plus included; zero carries none."""
        text = self.plain(value, decimals)
        positive = value is not None and isfinite(value) and rounded(value, decimals) > 0
        return f"+{text}" if positive else text

    def short(self, value: float | None) -> str:
        """Print a figure somebody declared, with no digits beyond those typed."""
        if value is None or not isfinite(value):
            return NO_NUMBER
        text = f"{value:.6g}".replace("-", MINUS)
        return text.replace(".", ",") if self.decimal_comma else text

    def with_unit(self, text: str, unit: str | None) -> str:
        """Join a printed number and its unit by a space that never breaks.

        Examples
        --------
        >>> Numbers().with_unit("1", "reps") == f"1{HARD_SPACE}rep"
        True
        """
        if text.lstrip(f"+{MINUS}") == "1":
            unit = _ONE.get(unit or "", unit)
        return f"{text}{HARD_SPACE}{unit}" if unit and unit != "1" else text

    def p_value(self, p: float | None) -> str:
        """Print a p value; very small ones as "below 0.001", never as zero."""
        if p is None or not isfinite(p):
            return NO_NUMBER
        if p < 0.001:
            return "below " + self.plain(0.001, 3)
        return self.plain(p, 3 if p < 0.1 else 2)

    def level(self, level: float) -> str:
        """Print the level of an interval in percent, with no digits beyond those needed.

        Examples
        --------
        >>> Numbers().level(0.95), Numbers().level(0.98647)
        ('95 %', '98.65 %')
        """
        return f"{self.short(round(100 * level, 2))} %"

    def chance(self, share: float | None) -> str:
        """Print a chance as cases out of 100, never as 0 or 100.

        Examples
        --------
        >>> Numbers().chance(0.982), Numbers().chance(0.9999), Numbers().chance(0.0)
        ('98 in 100', 'over 99 in 100', 'under 1 in 100')
        """
        if share is None or not isfinite(share):
            return NO_NUMBER
        if share > 0.995:
            return "over 99 in 100"
        if share < 0.005:
            return "under 1 in 100"
        return f"{round(100 * share)} in 100"


POINT: Final = Numbers()
"""Numbers with a decimal point."""


def difference_unit(unit: str) -> str:
    """Unit of the difference of two values on a raw scale.

    Examples
    --------
    >>> difference_unit("%"), difference_unit("W")
    ('points', 'W')
    """
    return POINTS if unit == "%" else unit


def spelled(unit: str) -> str:
    """Unit of the difference of two values on a raw scale, spelled out for an axis."""
    return f"percentage {POINTS}" if unit == "%" else unit


@dataclass(frozen=True, slots=True)
class Printer:
    """Prints differences of one outcome in its display unit: percent on the log scale.

    ``decimals`` follow the standard error of the difference on the scale of the analysis.
    """

    outcome: Outcome
    numbers: Numbers
    decimals: int

    @classmethod
    def of(cls, outcome: Outcome, se: float | None, numbers: Numbers) -> Printer:
        """Make the printer for an outcome from the standard error of its difference."""
        # On the log scale a small error of x is about 100 x percent (delta method).
        factor = 100.0 if outcome.scale is Scale.LOG else 1.0
        return cls(outcome, numbers, decimals_for(None if se is None else se * factor))

    @property
    def unit(self) -> str:
        """Unit of a printed difference; that of two percentages is percentage points."""
        return "%" if self.outcome.scale is Scale.LOG else difference_unit(self.outcome.unit)

    @property
    def axis_unit(self) -> str:
        """The unit of a difference spelled out for an axis."""
        return spelled(self.outcome.unit) if self.outcome.scale is Scale.RAW else "%"

    def shown(self, value: float) -> float:
        """A difference on the scale of the analysis, in the display unit."""
        return to_percent(value) if self.outcome.scale is Scale.LOG else value

    def difference(self, value: float) -> str:
        """Print a signed difference with its unit."""
        text = self.numbers.signed(self.shown(value), self.decimals)
        return self.numbers.with_unit(text, self.unit)

    def size(self, value: float) -> str:
        """Print a difference without its sign (the words say the direction)."""
        text = self.numbers.plain(abs(self.shown(value)), self.decimals)
        return self.numbers.with_unit(text, self.unit)

    def interval(self, interval: Interval) -> str:
        """Print an interval with its unit; a missing end is named."""
        low, high = self._end(interval.low), self._end(interval.high)
        return self.numbers.with_unit(f"{low} to {high}", self.unit)

    def _end(self, value: float) -> str:
        if not isfinite(value):
            return "no lower limit" if value < 0 else "no upper limit"
        return self.numbers.signed(self.shown(value), self.decimals)


def column_decimals(values: list[float]) -> int:
    """Decimals for a column of measured values: enough to tell neighbours apart, none for show.

    Examples
    --------
    >>> column_decimals([301.24, 308.91]), column_decimals([1.02, 1.05]), column_decimals([16, 17])
    (1, 2, 0)
    """
    spread = max(values, default=0.0) - min(values, default=0.0)
    useful = max(0, min(4, ceil(1.75 - log10(spread)))) if spread > 0 else 4
    return next(
        (d for d in range(useful) if all(abs(round(v, d) - v) < 1e-9 for v in values)), useful
    )
