"""Recipes that turn a segment of a channel into an outcome value, and what they give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class MeasureRecipe:
    """How one outcome value is taken from a recording.

    ``statistic`` names a registered measure (``mean``, ``peak``, ``minimum``, ``last``, ``slope``
    ...); ``seconds`` is its window where it has one; ``settings`` holds any further named numbers.
    ``min_coverage`` is the share of the segment that must hold data, ``max_gap_s`` the longest gap
    that may be bridged; beyond either the measure is void.
    """

    channel: str
    segment: str
    statistic: str
    seconds: float | None = None
    min_coverage: float = 0.9
    max_gap_s: float = 10.0
    settings: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MeasuredValue:
    """The outcome of a recipe: a number with its unit, or the reason why there is none.

    Exactly one of ``value`` and ``reason`` is set. ``uncertainty`` is the standard error where
    the recipe estimates one (a fitted time constant, a ratio).
    """

    recipe: MeasureRecipe
    unit: str
    value: float | None
    coverage: float
    n_samples: int
    reason: str | None = None
    uncertainty: float | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if (self.value is None) == (self.reason is None):
            raise ValueError("a measured value holds either a number or the reason for its absence")
