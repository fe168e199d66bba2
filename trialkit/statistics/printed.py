"""Figures inside sentences: in the unit people read, percent where the analysis is in logs."""

from __future__ import annotations

from math import exp, inf


def figure(value: float, *, scale: str, unit: str | None = None) -> str:
    """Write a difference or a noise on the scale of the analysis as it is printed elsewhere.

    Logs become percent, 100 (exp(x) - 1); raw figures get their unit where it is known.

    Examples
    --------
    >>> figure(0.0375, scale="log"), figure(-4.0, scale="raw", unit="W"), figure(0.5, scale="raw")
    ('3.82 %', '-4 W', '0.5')
    """
    if scale == "log":
        return f"{percent(value):.3g} %"
    return f"{value:.3g}" + (f" {unit}" if unit not in (None, "", "1") else "")


def percent(log_value: float) -> float:
    """Change in percent of a difference of natural logs."""
    return 100 * (exp(log_value) - 1) if log_value < 700 else inf


def counted(number: int, word: str) -> str:
    """Write a number with its word, in the plural but for one.

    Examples
    --------
    >>> counted(1, "period"), counted(3, "period")
    ('1 period', '3 periods')
    """
    return f"{number} {word}" + ("" if number == 1 else "s")
