"""A recording in a table: which column is the time, which columns are channels."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.measures import CHANNELS
from trialkit.domain.recordings import Channel, Integrity, Recording
from trialkit.domain.units import find_unit
from trialkit.errors import RequestError
from trialkit.ingest.cells import Marks, is_missing, number_marks, to_number
from trialkit.ingest.channels import (
    NEEDS_UNIT,
    channel_called,
    house_unit,
    in_house_unit,
    nearest_channel,
    spelling,
    time_order,
    unique_name,
)
from trialkit.ingest.dialect import propose_dialect
from trialkit.ingest.sources import ReadOptions, Source
from trialkit.ingest.stamps import clock_seconds
from trialkit.ingest.table_time import TimeAxis, time_axis
from trialkit.ingest.tables import read_frame, text_table

if TYPE_CHECKING:
    import pandas as pd

_BRACKETED: Final = re.compile(r"(.*?)[\s_]*[(\[]([^)\]]*)[)\]]\s*")
_TIME_NAMES: Final = frozenset(
    {"time", "timestamp", "timestamps", "stamp", "elapsed", "elapsedtime", "seconds", "secs", "sec",
     "t", "clock", "clocktime", "timeofday", "datetime", "date", "duration", "hhmmss", "mmss",
     "zeit", "temps", "tid", "tempo"}
)  # fmt: skip
_FEW_BAD: Final = 0.2


def is_text_table(source: Source) -> bool:
    """Whether the file is plain text."""
    return source.kind == "text"


def is_workbook(source: Source) -> bool:
    """Whether the file is an XLSX workbook."""
    return source.kind == "workbook"


@dataclass(slots=True)
class _Columns:
    """The table's columns: numeric ones, dated ones, and texts."""

    source: Source
    units: Mapping[str, str]
    first_line: int
    numbers: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    texts: dict[str, list[str]] = field(default_factory=dict)
    stamps: dict[str, pd.Series] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def read_csv_recording(source: Source, options: ReadOptions) -> Recording:
    """Read a recording from CSV or TSV text.

    Raises
    ------
    UnreadableError
        When it is not a table with a time column, or can be read in two ways.
    """
    dialect = propose_dialect(source, options)
    # Grouped thousands must be checked cell by cell; everything else the fast parser reads exactly.
    as_text = dialect.marks.thousands is not None
    frame = read_frame(source, dialect, as_text=as_text)
    units = dict(zip(dialect.names, dialect.units, strict=True))
    columns = _Columns(source, units, dialect.first_line, notes=list(dialect.notes))
    _split(columns, frame, dialect.marks)
    return _recording(source, columns, options, "CSV")


def read_workbook_recording(source: Source, options: ReadOptions) -> Recording:
    """Read a recording from the one full sheet of an XLSX workbook.

    Raises
    ------
    UnreadableError
        When it has no table with a time column, or several full sheets.
    """
    table = text_table(source, options)
    units = dict(zip(table.cells.columns, table.units, strict=True))
    columns = _Columns(source, units, table.lines[0], notes=list(table.notes))
    _split(columns, table.cells, table.marks)
    return _recording(source, columns, options, "XLSX")


def _split(columns: _Columns, frame: pd.DataFrame, marks: Marks) -> None:
    for name in frame.columns:
        series = frame[name]
        if series.dtype.kind in "fiu":
            columns.numbers[name] = series.to_numpy(dtype=np.float64)
        elif series.dtype.kind == "M":
            columns.stamps[name] = series
        elif series.dtype.kind != "b":
            _split_texts(columns, name, series.fillna("").astype(str).tolist(), marks)


def _split_texts(columns: _Columns, name: str, cells: list[str], marks: Marks) -> None:
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


def _recording(source: Source, columns: _Columns, options: ReadOptions, kind: str) -> Recording:
    time_name = _time_column(source, columns, options)
    axis = _axis(source, columns, time_name, options)
    order = time_order(axis.time_s)
    if not np.isfinite(axis.time_s).any():
        raise source.refuse(
            f"column {time_name!r} without a single time",
            "a recording needs a time for every sample.",
            "say which column is the time (time_column='...').",
        )
    notes = [*columns.notes, *axis.notes, *order.notes()]
    channels: dict[str, Channel] = {}
    for name in [*columns.numbers, *columns.texts]:
        if name == time_name:
            continue
        value = _channel_values(columns, name)
        if value is None:
            notes.append(f"column {name!r} holds words and was left out")
            continue
        made, told = _named(name, columns, options, list(channels))
        notes += told
        channel = Channel(made.name, made.unit, axis.time_s[order.keep], value[order.keep], name)
        channels[made.name] = in_house_unit(channel)
    if not channels:
        raise source.refuse(
            "columns " + ", ".join(map(repr, [*columns.numbers, *columns.texts])),
            "no column besides the time holds numbers.",
            "check the export, or say the decimal mark.",
        )
    return Recording(
        source.name, source.sha256, kind, axis.started_at, channels,
        integrity=Integrity.OK, notes=tuple(notes),
    )  # fmt: skip


def _time_column(source: Source, columns: _Columns, options: ReadOptions) -> str:
    names = [*columns.numbers, *columns.stamps, *columns.texts]
    if options.time_column is not None:
        if options.time_column in names:
            return options.time_column
        raise source.refuse(
            f"no column {options.time_column!r}",
            "the time column asked for is not there.",
            "name one of " + ", ".join(map(repr, names)) + ".",
        )
    known = [name for name in names if spelling(split_unit(name)[0]) in _TIME_NAMES]
    # A clock or stamp column beats a bare number when both are there only if it is the only one.
    if len(known) == 1:
        return known[0]
    if known:
        numeric = [name for name in known if name in columns.numbers]
        return (numeric or known)[0]
    raise source.refuse(
        "columns " + ", ".join(map(repr, names)),
        "none of them is called a time.",
        "say which column is the time (time_column='...').",
    )


def _axis(source: Source, columns: _Columns, name: str, options: ReadOptions) -> TimeAxis:
    if name in columns.numbers:
        unit = options.units.get(name) or columns.units.get(name) or split_unit(name)[1]
        return TimeAxis.of_numbers(columns.numbers[name], unit, source)
    if name in columns.stamps:
        return TimeAxis.of_stamps(columns.stamps[name], options)
    return time_axis(columns.texts[name], name, source, options)


def _channel_values(columns: _Columns, name: str) -> NDArray[np.float64] | None:
    if name in columns.numbers:
        return columns.numbers[name]
    seconds = [None if is_missing(c) else clock_seconds(c) for c in columns.texts[name]]
    known = sum(s is not None for s in seconds)
    filled = sum(not is_missing(c) for c in columns.texts[name])
    if not filled or known < (1 - _FEW_BAD) * filled:
        return None
    return np.array([np.nan if s is None else s for s in seconds])


@dataclass(frozen=True, slots=True)
class _Named:
    name: str
    unit: str


def _named(
    column: str, columns: _Columns, options: ReadOptions, taken: list[str]
) -> tuple[_Named, list[str]]:
    """Channel name and unit of a column, with what a careful reader would want to know."""
    stem, unit = split_unit(column)
    unit = options.units.get(column) or unit or columns.units.get(column, "")
    if column in columns.texts:
        unit = "s"  # durations such as split times
    wanted = options.channels.get(column) or channel_called(stem) or channel_called(column)
    if wanted is None:
        near = nearest_channel(stem)
        hint = f"; is it {near}?" if near else ""
        note = f"column {column!r} is not a channel known here{hint}"
        return _Named(unique_name(column.strip(), taken), house_unit(unit)), [note]
    if not unit and wanted in NEEDS_UNIT:
        note = (
            f"column {column!r} states no unit, so it was not taken as {wanted}; "
            f"say it: units={{{column!r}: '{CHANNELS[wanted]}'}}"
        )
        return _Named(unique_name(f"{column.strip()} (unit unknown)", taken), ""), [note]
    unit = house_unit(unit) if unit else CHANNELS.get(wanted, "")
    return _Named(unique_name(wanted, taken), unit), []


def split_unit(column: str) -> tuple[str, str]:
    """Split a column name into its stem and the unit written in it.

    Examples
    --------
    >>> split_unit("Speed [km/h]"), split_unit("power W"), split_unit("heart_rate")
    (('Speed', 'km/h'), ('power', 'W'), ('heart_rate', ''))
    """
    found = _BRACKETED.fullmatch(column)
    if found is not None:
        return found.group(1).strip(), found.group(2).strip()
    stem, _, last = re.sub(r"[\s_]+", " ", column.strip()).rpartition(" ")
    if stem:
        try:
            return stem, find_unit(last).symbol
        except RequestError:
            pass
    return column, ""
