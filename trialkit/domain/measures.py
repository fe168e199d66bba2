"""Recipes that turn a segment of a channel into an outcome value, and what they give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

CHANNELS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "heart_rate": "bpm",
        "muscle_oxygen": "%",
        "total_haemoglobin": "g/dL",
        "power": "W",
        "speed": "m/s",
        "cadence": "rpm",
        "distance": "m",
        "altitude": "m",
        "temperature": "°C",
        "rr_interval": "ms",
        "core_temperature": "°C",
    }
)
"""Channels a recording can hold, each with the unit its values are kept in."""

LEVEL_STATISTICS: Final = (
    "mean",
    "time_weighted_mean",
    "peak",
    "minimum",
    "best",
    "last",
    "first",
    "start_value",
    "baseline_level",
    "nadir",
)
"""Statistics whose value has the channel's own unit."""

TIME_STATISTICS: Final = (
    "time_to_level",
    "finish_time",
    "rise_time_constant",
    "reoxygenation_half_time",
)
"""Statistics whose value is a time."""

STATISTICS: Final = (
    *LEVEL_STATISTICS,
    *TIME_STATISTICS,
    "area",
    "slope",
    "slope_per_round",
    "drift",
    "work",
    "count",
    "split_variability",
    "recovery",
    "rmssd",
    "ln_rmssd",
    "desaturation_rate",
    "round_change",
    "relative_level",
    "ratio",
)
"""All statistics a measure recipe can name."""


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
