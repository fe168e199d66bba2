"""A recording in a table: which column is the time, and the others as channels on it."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from trialkit.domain.recordings import Channel, Integrity, Recording
from trialkit.ingest.cells import is_missing
from trialkit.ingest.channels import in_house_unit, spelling, time_order
from trialkit.ingest.dialect import propose_dialect
from trialkit.ingest.sources import ReadOptions, Source
from trialkit.ingest.stamps import clock_seconds
from trialkit.ingest.table_columns import Columns, channel_values, named, split_columns, split_unit
from trialkit.ingest.table_time import TimeAxis, is_date, time_axis
from trialkit.ingest.tables import read_frame, text_table

_TIME_NAMES: Final = frozenset(
    {"time", "timestamp", "timestamps", "stamp", "elapsed", "elapsedtime", "seconds", "secs", "sec",
     "t", "clock", "clocktime", "timeofday", "datetime", "date", "duration", "hhmmss", "mmss",
     "zeit", "temps", "tid", "tempo", "datum", "dato"}
)  # fmt: skip


_TIME_WORDS: Final = frozenset({"time", "timestamp", "elapsed", "zeit"})
# Where somebody was is needed for no measure.
_POSITIONS: Final = frozenset({"lat", "lon", "lng", "long", "latitude", "longitude"})


def is_text_table(source: Source) -> bool:
    """Whether the file is plain text."""
    return source.kind == "text"


def is_workbook(source: Source) -> bool:
    """Whether the file is an XLSX workbook."""
    return source.kind == "workbook"


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
    columns = Columns(source, units, dialect.first_line, notes=list(dialect.notes))
    split_columns(columns, frame, dialect.marks)
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
    columns = Columns(source, units, table.lines[0], notes=list(table.notes))
    split_columns(columns, table.cells, table.marks)
    return _recording(source, columns, options, "XLSX")


def _recording(source: Source, columns: Columns, options: ReadOptions, kind: str) -> Recording:
    _join_date_and_clock(columns, options)
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
        if name == time_name or spelling(name) in _POSITIONS:
            continue
        made, told = named(name, columns, options, list(channels))
        value = channel_values(columns, name, made.unit)
        if value is None:
            notes.append(f"column {name!r} holds words and was left out")
            continue
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


def _time_column(source: Source, columns: Columns, options: ReadOptions) -> str:
    names = [*columns.numbers, *columns.stamps, *columns.texts]
    if options.time_column is not None:
        if options.time_column in names:
            return options.time_column
        raise source.refuse(
            f"no column {options.time_column!r}",
            "the time column asked for is not there.",
            "name one of " + ", ".join(map(repr, names)) + ".",
        )
    known = [name for name in names if _is_time_name(name)]
    if not known:
        # "Phone timestamp" is a time when nothing else is; with "lap time" it is a question.
        loose = [n for n in names if _TIME_WORDS & set(re.split(r"[^a-z]+", n.lower()))]
        known = loose if len(loose) == 1 else []
    if known:
        # Elapsed numbers are meant for computing with; a stamp beside them is for people.
        return next((name for name in known if name in columns.numbers), known[0])
    raise source.refuse(
        "columns " + ", ".join(map(repr, names)),
        "none of them is called a time.",
        "say which column is the time (time_column='...').",
    )


def _is_time_name(name: str) -> bool:
    return spelling(split_unit(name)[0]) in _TIME_NAMES


def _join_date_and_clock(columns: Columns, options: ReadOptions) -> None:
    """Make one column of a column of dates and a column of times of day, as some exports have."""
    if options.time_column is not None:
        return
    clocks = [n for n, cells in columns.texts.items() if _is_time_name(n) and _all_clocks(cells)]
    dates = {n: c for n, c in _date_texts(columns).items() if n not in clocks}
    if len(clocks) != 1 or len(dates) != 1:
        return
    (clock,), ((date, days),) = clocks, dates.items()
    both = zip(days, columns.texts[clock], strict=True)
    joined = ["" if is_missing(d) or is_missing(t) else f"{d} {_padded(t)}" for d, t in both]
    columns.texts.pop(date, None)
    columns.stamps.pop(date, None)
    columns.texts[clock] = joined
    columns.notes.append(f"columns {date!r} and {clock!r} were read together as the time")


def _date_texts(columns: Columns) -> dict[str, list[str]]:
    """Columns that hold a date and no time of day, as texts."""
    found = {n: cells for n, cells in columns.texts.items() if is_date(cells)}
    for name, stamps in columns.stamps.items():
        known = stamps.dropna()
        if known.size and (known == known.dt.normalize()).all():
            found[name] = stamps.dt.strftime("%Y-%m-%d").fillna("").tolist()
    return found


def _all_clocks(cells: list[str]) -> bool:
    filled = [cell for cell in cells if not is_missing(cell)]
    return bool(filled) and all(clock_seconds(cell) is not None for cell in filled)


def _padded(clock: str) -> str:
    """Hours with two digits, as ISO stamps have them."""
    hours, colon, rest = clock.strip().partition(":")
    return f"{hours:0>2}{colon}{rest}"


def _axis(source: Source, columns: Columns, name: str, options: ReadOptions) -> TimeAxis:
    if name in columns.numbers:
        unit = options.units.get(name) or columns.units.get(name) or split_unit(name)[1]
        return TimeAxis.of_numbers(columns.numbers[name], unit, source)
    if name in columns.stamps:
        return TimeAxis.of_stamps(columns.stamps[name], options)
    return time_axis(columns.texts[name], name, source, options)
