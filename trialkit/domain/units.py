"""Units of measurement: which ones the house knows, and exact conversion between them.

A unit is a plain string as the trade writes it (``"W"``, ``"bpm"``, ``"min/km"``). Units of one
dimension convert linearly (value in base unit = value * factor + offset), except pace, which is
the reciprocal of speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from trialkit.errors import Problem, RequestError


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: its dimension and how it maps to the dimension's base unit."""

    symbol: str
    dimension: str
    factor: float = 1.0
    offset: float = 0.0
    reciprocal: bool = False


_UNITS: Final = (
    Unit("bpm", "rate"),
    Unit("%", "percent"),
    Unit("W", "power"),
    Unit("kW", "power", 1000.0),
    Unit("m/s", "speed"),
    Unit("km/h", "speed", 1 / 3.6),
    Unit("min/km", "speed", 1000 / 60, reciprocal=True),
    Unit("mph", "speed", 0.44704),
    Unit("min/mi", "speed", 1609.344 / 60, reciprocal=True),
    Unit("rpm", "cadence"),
    Unit("spm", "cadence"),
    Unit("s", "time"),
    Unit("ms", "time", 0.001),
    Unit("min", "time", 60.0),
    Unit("h", "time", 3600.0),
    Unit("day", "time", 86400.0),
    Unit("m", "length"),
    Unit("cm", "length", 0.01),
    Unit("mm", "length", 0.001),
    Unit("km", "length", 1000.0),
    Unit("mi", "length", 1609.344),
    Unit("ft", "length", 0.3048),
    Unit("in", "length", 0.0254),
    Unit("kg", "mass"),
    Unit("lb", "mass", 0.45359237),
    Unit("g", "mass", 0.001),
    Unit("J", "energy"),
    Unit("kJ", "energy", 1000.0),
    Unit("kcal", "energy", 4184.0),
    Unit("N", "force"),
    Unit("kN", "force", 1000.0),
    Unit("Nm", "torque"),
    Unit("L", "volume"),
    Unit("mL", "volume", 0.001),
    Unit("mmHg", "pressure"),
    Unit("Hz", "frequency"),
    Unit("°C", "temperature"),
    Unit("°F", "temperature", 5 / 9, -160 / 9),
    Unit("g/dL", "concentration"),
    Unit("mmol/L", "lactate"),
    Unit("mL/kg/min", "oxygen uptake"),
    Unit("reps", "count"),
    Unit("points", "score"),
    Unit("1", "ratio"),
)
_BY_SYMBOL: Final = {unit.symbol: unit for unit in _UNITS}
_SPELLINGS: Final = {
    "watt": "W",
    "watts": "W",
    "beats/min": "bpm",
    "1/min": "bpm",
    "percent": "%",
    "pct": "%",
    "kph": "km/h",
    "kmh": "km/h",
    "mps": "m/s",
    "sec": "s",
    "seconds": "s",
    "minutes": "min",
    "c": "°C",
    "degc": "°C",
    "g/dl": "g/dL",
    "mmol/l": "mmol/L",
    "ml/kg/min": "mL/kg/min",
    "days": "day",
    "rep": "reps",
}


def known_units() -> tuple[str, ...]:
    """Symbols of all units the house knows."""
    return tuple(_BY_SYMBOL)


def find_unit(symbol: str) -> Unit:
    """Look a unit up by its symbol or a common spelling of it.

    Raises
    ------
    RequestError
        When the unit is not known.

    Examples
    --------
    >>> find_unit("watts").symbol
    'W'
    """
    text = symbol.strip()
    unit = _BY_SYMBOL.get(text) or _BY_SYMBOL.get(_SPELLINGS.get(text.lower(), ""))
    if unit is None:
        raise RequestError(
            Problem(
                where="unit",
                found=repr(symbol),
                wrong="is not a unit known here.",
                fix="use one of " + ", ".join(_BY_SYMBOL) + ".",
            )
        )
    return unit


def convert(value: float, unit_from: str, unit_to: str) -> float:
    """Convert a value from one unit to another of the same dimension.

    Raises
    ------
    RequestError
        When a unit is unknown, the dimensions differ, or a pace or speed of zero has no partner.

    Examples
    --------
    >>> round(convert(36.0, "km/h", "m/s"), 12)
    10.0
    >>> round(convert(4.0, "min/km", "km/h"), 12)
    15.0
    """
    source, target = find_unit(unit_from), find_unit(unit_to)
    if source == target:
        return value
    if source.dimension != target.dimension:
        raise RequestError(
            Problem(
                where="unit",
                found=f"{unit_from} where {unit_to} is needed",
                wrong=f"{source.dimension} cannot be turned into {target.dimension}.",
                fix=f"give the value in {unit_to} or a unit of {target.dimension}.",
            )
        )
    return _from_base(_to_base(value, source), target)


def _to_base(value: float, unit: Unit) -> float:
    if unit.reciprocal:
        return unit.factor / _nonzero(value, unit)
    return value * unit.factor + unit.offset


def _from_base(value: float, unit: Unit) -> float:
    if unit.reciprocal:
        return unit.factor / _nonzero(value, unit)
    return (value - unit.offset) / unit.factor


def _nonzero(value: float, unit: Unit) -> float:
    if value == 0:
        raise RequestError(
            Problem(
                where="unit",
                found=f"0 {unit.symbol}",
                wrong="a pace needs a speed above zero.",
                fix="leave standing time out, or use speed.",
            )
        )
    return value
