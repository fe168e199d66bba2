"""Columns of a table that holds a recording: numbers, times or words, and which channel each is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.measures import CHANNELS
from trialkit.domain.units import Unit, find_unit
from trialkit.errors import RequestError
from trialkit.ingest.cells import Marks, is_missing, number_marks, to_number
from trialkit.ingest.channels import (
    NEEDS_UNIT,
    channel_called,
    house_unit,
    nearest_channel,
    unique_name,
)
from trialkit.ingest.sources import ReadOptions, Source
from trialkit.ingest.stamps import clock_seconds

if TYPE_CHECKING:
    import pandas as pd

_BRACKETED: Final = re.compile(r"(.*?)[\s_]*[(\[]([^)\]]*)[)\]]\s*")
_FEW_BAD: Final = 0.2
# A column may be called by its unit alone.
_QUANTITY_OF: Final = {"speed": "speed", "power": "power", "length": "distance"}


@dataclass(slots=True)
class Columns:
    """The table's columns: numeric ones, dated ones, and texts.

    ``first_line`` is the line of the file that holds the first data row.
    """

    source: Source
    units: Mapping[str, str]
    first_line: int
    numbers: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    texts: dict[str, list[str]] = field(default_factory=dict)
    stamps: dict[str, pd.Series] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def split_columns(columns: Columns, frame: pd.DataFrame, marks: Marks) -> None:
    """Sort the columns of a frame by what they hold.

    Raises
    ------
    UnreadableError
        When the decimal mark changes inside the file.
    """
    for name in frame.columns:
        series = frame[name]
        if series.dtype.kind in "fiu":
            columns.numbers[name] = series.to_numpy(dtype=np.float64)
        elif series.dtype.kind == "M":
            columns.stamps[name] = series
        elif series.dtype.kind != "b":
            _split_texts(columns, name, series.fillna("").astype(str).tolist(), marks)


def _split_texts(columns: Columns, name: str, cells: list[str], marks: Marks) -> None:
    """Sort a column of texts: numbers with a few bad cells, durations, or words."""
    filled = [i for i, cell in enumerate(cells) if not is_missing(cell)]
    out = np.full(len(cells), np.nan)
    bad = []
    for i in filled:
        number = to_number(cells[i], marks)
        if number is None:
            bad.append(i)
        else:
            out[i] = number
    late = number_marks(cells[i] for i in bad)
    other = next((i for i in bad if to_number(cells[i], late) is not None), None)
    if other is not None:
        line = other + columns.first_line
        raise columns.source.refuse(
            f"{cells[other]!r} below rows written with another decimal mark, or none",
            "the decimal mark changes inside the file, or shows only late in it.",
            f"say which it is (decimal {late.decimal!r}), or export with plain numbers.",
            line=line,
        )
    if filled and len(bad) <= _FEW_BAD * len(filled):
        columns.numbers[name] = out
        if bad:
            shown = ", ".join(f"{cells[i]!r} (line {i + columns.first_line})" for i in bad[:3])
            more = f" and {len(bad) - 3} more" if len(bad) > 3 else ""
            columns.notes.append(f"column {name!r}: not numbers and left out: {shown}{more}")
    else:
        columns.texts[name] = cells


def channel_values(columns: Columns, name: str, unit: str) -> NDArray[np.float64] | None:
    """Values of a column in ``unit``; durations in seconds, a pace in minutes; None for words."""
    if name in columns.numbers:
        return columns.numbers[name]
    if name not in columns.texts:
        return None
    seconds = [None if is_missing(c) else clock_seconds(c) for c in columns.texts[name]]
    known = sum(s is not None for s in seconds)
    filled = sum(not is_missing(c) for c in columns.texts[name])
    if not filled or known < (1 - _FEW_BAD) * filled:
        return None
    value = np.array([np.nan if s is None else s for s in seconds])
    return value / 60 if unit == "min/km" else value


@dataclass(frozen=True, slots=True)
class Named:
    """Channel name and unit of a column."""

    name: str
    unit: str


def named(
    column: str, columns: Columns, options: ReadOptions, taken: list[str]
) -> tuple[Named, list[str]]:
    """Channel name and unit of a column, with what a careful reader would want to know."""
    stem, unit = split_unit(column)
    unit = options.units.get(column) or unit or columns.units.get(column, "")
    stem = re.sub(r"_\d+$", "", stem)  # the number of a repeated name
    wanted = options.channels.get(column) or channel_called(stem) or channel_called(column)
    if column in columns.texts and house_unit(unit) != "min/km":
        # Minutes and seconds: a duration such as a split time, of no other quantity.
        return Named(unique_name(column.strip(), taken), "s"), []
    if wanted is None:
        near = nearest_channel(stem)
        hint = f"; is it {near}?" if near else ""
        note = f"column {column!r} is not a channel known here{hint}"
        return Named(unique_name(column.strip(), taken), house_unit(unit)), [note]
    if not unit and wanted in NEEDS_UNIT:
        note = (
            f"column {column!r} states no unit, so it was not taken as {wanted}; "
            f"say it: units={{{column!r}: '{CHANNELS[wanted]}'}}"
        )
        return Named(unique_name(f"{column.strip()} (unit unknown)", taken), ""), [note]
    unit = house_unit(unit) if unit else CHANNELS.get(wanted, "")
    return Named(unique_name(wanted, taken), unit), []


@lru_cache(maxsize=1024)
def split_unit(column: str) -> tuple[str, str]:
    """Split a column name into its stem and the unit written in it.

    Examples
    --------
    >>> split_unit("Speed [km/h]"), split_unit("power W"), split_unit("heart_rate")
    (('Speed', 'km/h'), ('power', 'W'), ('heart_rate', ''))
    >>> split_unit("km/h")
    ('speed', 'km/h')
    """
    if (unit := _unit_called(column)) is not None and unit.dimension in _QUANTITY_OF:
        return _QUANTITY_OF[unit.dimension], unit.symbol
    found = _BRACKETED.fullmatch(column)
    if found is not None:
        return found.group(1).strip(), found.group(2).strip()
    stem, _, last = re.sub(r"[\s_]+", " ", column.strip()).rpartition(" ")
    unit = _unit_called(last) if stem else None
    return (column, "") if unit is None else (stem, unit.symbol)


def _unit_called(text: str) -> Unit | None:
    try:
        return find_unit(text)
    except RequestError:
        return None
