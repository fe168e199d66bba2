"""Sizes of threats in the user's own units, and their printed digits."""

from __future__ import annotations

from math import expm1

from trialkit.domain.outcomes import Outcome, Scale
from trialkit.domain.plans import Plan


def in_user_units(outcome: Outcome, amount: float) -> tuple[float, str]:
    """Turn an amount on the scale of the analysis into the outcome's unit (percent for logs)."""
    if outcome.scale is Scale.LOG:
        return 100 * expm1(amount), "%"
    return amount, outcome.unit


def of_typical_error(plan: Plan, amount: float) -> tuple[float, str] | None:
    """Turn ``amount`` typical errors of the primary outcome into its unit; None without one."""
    primary = plan.primary
    if primary is None or primary.analysis_noise is None:
        return None
    return in_user_units(primary, amount * primary.analysis_noise)


def duration(minutes: float) -> str:
    """Minutes in the words people use: minutes, hours or days.

    Examples
    --------
    >>> duration(45), duration(240), duration(2880)
    ('45 min', '4 h', '2 days')
    """
    if minutes < 120:
        return f"{digits(minutes)} min"
    return f"{digits(minutes / 60)} h" if minutes < 2880 else f"{digits(minutes / 1440)} days"


def digits(value: float) -> str:
    """Three significant digits, never in powers of ten."""
    return f"{float(f'{value:.3g}'):,.10g}"
