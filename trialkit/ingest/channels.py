"""Which channel a field or column is, in which unit, and which of its values can be true."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.measures import CHANNELS
from trialkit.domain.recordings import Channel
from trialkit.domain.units import find_unit
from trialkit.errors import RequestError

# Spellings seen in exports, compared with case, spaces and marks taken out (see ``spelling``).
_SPELLINGS: Final = {
    "heart_rate": "heartrate hr heartratebpm hrbpm bpm pulse puls hf herzfrequenz heartratevalue "
    "fc frquencecardiaque",
    "muscle_oxygen": "muscleoxygen smo2 smo2live smo2averaged smo2avg currentsaturatedhemoglobin"
    "percent saturatedhemoglobinpercent saturatedhemoglobin muscleoxygensaturation tsi sto2",
    "total_haemoglobin": "totalhaemoglobin totalhemoglobin thb thblive totalhemoglobinconc",
    "power": "power watts watt pwr leistung powerw poweroutput powerinwatts puissance effekt",
    "speed": "speed enhancedspeed velocity geschwindigkeit pace vitesse hastighet",
    "cadence": "cadence cad runcadence rpm trittfrequenz kadenz",
    "distance": "distance dist distancemeters strecke distanz",
    "altitude": "altitude enhancedaltitude altitudemeters ele elevation alt hoehe",
    "temperature": "temperature temp atemp airtemperature temperatur",
    "rr_interval": "rrinterval rr rrintervals ibi rrms",
    "core_temperature": "coretemperature corebodytemperature coretemp",
}
_CHANNEL_OF: Final = {
    word: name for name, words in _SPELLINGS.items() for word in words.split()
} | {name.replace("_", ""): name for name in CHANNELS}

_SENSOR_WORDS: Final = {"smo2": "muscle_oxygen", "thb": "total_haemoglobin"}
_SUMMARIES: Final = frozenset(
    {"min", "max", "avg", "average", "mean", "lap", "target", "unfiltered"}
)

NEEDS_UNIT: Final = frozenset({"speed", "distance", "temperature", "core_temperature", "altitude"})
"""Channels that exports write in several units, so that a bare number says nothing."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a channel's values can be; outside ``low`` to ``high`` a value cannot be true.

    A change of more than ``step`` within ``step_s`` seconds is suspect, and so is a value that
    stays exactly the same for ``flat_s`` seconds, or leaves the ``usual`` range; None where the
    channel has no such rule.
    ``source`` says where the figures come from.
    """

    low: float
    high: float
    step: float | None = None
    step_s: float = 1.0
    flat_s: float | None = None
    usual: tuple[float, float] | None = None
    source: str = "common practice, no source"


LIMITS: Final = MappingProxyType(
    {
        "heart_rate": Limits(25, 240, step=20, usual=(35, 210)),
        "muscle_oxygen": Limits(0, 100, step=15, flat_s=10, usual=(15, 95)),
        "total_haemoglobin": Limits(8, 16, step=1.5, step_s=10),
        "power": Limits(0, 2500),
        "cadence": Limits(0, 250),
        "speed": Limits(0, 35),
        "core_temperature": Limits(34, 41),
        "temperature": Limits(-30, 50),
        "rr_interval": Limits(250, 2500),
    }
)
"""Plausible ranges by channel (common practice, no source)."""


def spelling(name: str) -> str:
    """Reduce a field or column name to its letters and digits, for comparison."""
    return re.sub(r"[^a-z0-9]", "", name.lower().replace("₂", "2"))


def channel_called(name: str) -> str | None:
    """Channel that a field or column name stands for, or None when the name is not known.

    Examples
    --------
    >>> channel_called("Heart Rate")
    'heart_rate'
    >>> channel_called("SmO2 left thigh")
    'muscle_oxygen'
    """
    known = _CHANNEL_OF.get(spelling(name))
    if known is not None:
        return known
    words = set(re.split(r"[^a-z0-9]+", name.lower()))
    # Muscle sensors put place and number beside the quantity: "SmO2 left thigh (1)".
    if not words & _SUMMARIES:
        return next((channel for word, channel in _SENSOR_WORDS.items() if word in words), None)
    return None


def nearest_channel(name: str) -> str | None:
    """Channel whose spelling is closest to an unknown name, or None when nothing is close."""
    close = get_close_matches(spelling(name), _CHANNEL_OF, n=1, cutoff=0.7)
    return _CHANNEL_OF[close[0]] if close else None


def house_unit(symbol: str) -> str:
    """Symbol the house uses for a unit; an unknown unit is kept as it was written."""
    try:
        return find_unit(symbol).symbol
    except RequestError:
        return symbol.strip()


def convert_array(
    value: NDArray[np.float64], unit_from: str, unit_to: str
) -> NDArray[np.float64] | None:
    """Convert an array between units of one dimension; None when that cannot be done.

    A speed or pace of zero has no partner and becomes NaN.
    """
    try:
        source, target = find_unit(unit_from), find_unit(unit_to)
    except RequestError:
        return None
    if source.dimension != target.dimension:
        return None
    if source == target:
        return value
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = (
            source.factor / value if source.reciprocal else value * source.factor + source.offset
        )
        made = (
            target.factor / middle
            if target.reciprocal
            else (middle - target.offset) / target.factor
        )
    return np.where(np.isfinite(made), made, np.nan)


def in_house_unit(channel: Channel) -> Channel:
    """Return the channel in the unit its name is kept in, where the conversion is known."""
    wanted = CHANNELS.get(kind_of(channel.name))
    if wanted is None or channel.unit == wanted:
        return channel
    value = convert_array(channel.value, channel.unit, wanted)
    return channel if value is None else replace(channel, unit=wanted, value=value)


@dataclass(frozen=True, slots=True)
class Ordering:
    """How raw stamps become strictly increasing ones, with what was set aside on the way."""

    keep: NDArray[np.intp] | slice
    repeated: int
    backwards: int
    undated: int

    def notes(self) -> tuple[str, ...]:
        """Say what was set aside, in words; nothing when nothing was."""
        found: list[str] = []
        if self.undated:
            found.append(f"{self.undated} samples without a time were left out")
        if self.backwards:
            found.append(
                f"the clock ran backwards {self.backwards} times; samples were put in time order"
            )
        if self.repeated:
            found.append(
                f"{self.repeated} samples repeat the time of another; the first of each was kept"
            )
        return tuple(found)


def time_order(time_s: NDArray[np.float64]) -> Ordering:
    """Find the rows (k,) to keep so that times are strictly increasing."""
    steps = np.diff(time_s)
    if np.all(steps > 0) and np.isfinite(time_s).all():
        return Ordering(slice(None), 0, 0, 0)
    dated = np.flatnonzero(np.isfinite(time_s))
    stamps = time_s[dated]
    backwards = int(np.sum(np.diff(stamps) < 0))
    order = np.argsort(stamps, kind="stable")
    new = np.ones(order.size, dtype=bool)
    new[1:] = np.diff(stamps[order]) > 0
    return Ordering(
        keep=dated[order][new],
        repeated=int(np.sum(~new)),
        backwards=backwards,
        undated=int(time_s.size - dated.size),
    )


def kind_of(name: str) -> str:
    """Channel name without the number of a second sensor: ``muscle_oxygen_2`` is muscle oxygen."""
    base = re.sub(r"_\d+$", "", name)
    return base if base in CHANNELS else name


def unique_name(name: str, taken: Sequence[str]) -> str:
    """Return the name, numbered when a channel already has it."""
    number = 2
    fresh = name
    while fresh in taken:
        fresh = f"{name}_{number}"
        number += 1
    return fresh
