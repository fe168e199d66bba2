"""The time column of a table: elapsed numbers, clock times, ISO stamps, day-first dates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.units import find_unit
from trialkit.errors import RequestError
from trialkit.ingest.cells import is_missing, is_value
from trialkit.ingest.sources import ReadOptions, Source
from trialkit.ingest.stamps import clock_seconds, iso_stamp, looks_iso, zone_called

if TYPE_CHECKING:
    import pandas as pd

_DATE: Final = re.compile(r"\s*(\d{1,2})([./-])(\d{1,2})\2(\d{4})(?:[T ,]+(.*\S))?\s*")
_DAY_S: Final = 86400.0
# Seconds since 1970 for the years 2001 to 2065: no session lasts that many seconds.
_EPOCH_RANGE: Final = (1e9, 3e9)


@dataclass(frozen=True, eq=False)
class TimeAxis:
    """Seconds from the start (n,), NaN where a row has no time, and the start when it is known."""

    time_s: NDArray[np.float64]
    started_at: datetime | None = None
    notes: tuple[str, ...] = ()

    @classmethod
    def of_numbers(cls, value: NDArray[np.float64], unit: str, source: Source) -> TimeAxis:
        """Build the axis from elapsed numbers in ``unit`` (seconds when none is stated).

        Numbers that can only be seconds or milliseconds since 1970 are read as such.
        """
        finite = value[np.isfinite(value)]
        if not finite.size:
            return cls(value)
        for scale, word in ((1.0, "seconds"), (1000.0, "milliseconds")):
            low, high = scale * _EPOCH_RANGE[0], scale * _EPOCH_RANGE[1]
            if low < finite.min() and finite.max() < high:
                start = float(finite.min())
                note = f"the time column was read as {word} since 1970 (UTC)"
                begin = datetime.fromtimestamp(start / scale, UTC)
                return cls((value - start) / scale, begin, (note,))
        return cls(value * _seconds_per(unit, source))

    @classmethod
    def of_stamps(cls, stamps: pd.Series, options: ReadOptions) -> TimeAxis:
        """Build the axis from a dated column; stamps without zone are local if the zone is said."""
        notes = []
        if stamps.dt.tz is None and options.time_zone is not None:
            zone = zone_called(options.time_zone)
            local = stamps.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
            if lost := int(local.isna().sum() - stamps.isna().sum()):
                notes.append(f"{lost} stamps fall in the hour of a clock change and are not unique")
            stamps = local
        elif stamps.dt.tz is None:
            notes.append("stamps have no zone: say it (time_zone='Europe/Oslo') to know the start")
        start = stamps.min()
        time_s = (stamps - start).dt.total_seconds().to_numpy(dtype=np.float64)
        dated = stamps.dt.tz is not None and time_s.size and np.isfinite(time_s).any()
        began = start.to_pydatetime().astimezone(UTC) if dated else None
        return cls(time_s, began, tuple(notes))


def _seconds_per(unit: str, source: Source) -> float:
    if not unit or ":" in unit:
        return 1.0
    known = None
    for text in (unit, unit.split(maxsplit=1)[0]):  # such as "seconds passed"
        with suppress(RequestError):
            known = known or find_unit(text)
    if known is None or known.dimension != "time":
        raise source.refuse(
            f"a time column in {unit!r}",
            "that is not a unit of time.",
            "use s, ms, min or h; or say which column is the time (time_column='...').",
        )
    return known.factor


def time_axis(cells: Sequence[str], name: str, source: Source, options: ReadOptions) -> TimeAxis:
    """Build the axis from a column of texts.

    Raises
    ------
    UnreadableError
        When the texts are no times, or days and months can be told apart by no date of the column.
    """
    filled = [cell for cell in cells if not is_missing(cell)]
    if filled and looks_iso(filled[0]):
        return _of_stamps([iso_stamp(cell) for cell in cells], options)
    if filled and _DATE.fullmatch(filled[0]):
        return _of_stamps(_dates(cells, filled, name, source, options), options)
    seconds = [None if is_missing(cell) else clock_seconds(cell) for cell in cells]
    known = [s for s in seconds if s is not None]
    if len(known) < 0.8 * max(1, len(filled)) or not known:
        example = next((c for c in filled if not is_value(c)), filled[0] if filled else "nothing")
        raise source.refuse(
            f"{example!r} in the time column {name!r}",
            "it is neither seconds, nor h:mm:ss, nor a date with a time.",
            "say which column is the time (time_column='...'), or export elapsed seconds.",
        )
    return _of_clocks(np.array([np.nan if s is None else s for s in seconds]))


def is_date(cells: Sequence[str]) -> bool:
    """Whether every filled cell is a date without a time of day."""
    filled = [cell for cell in cells if not is_missing(cell)]
    dates = [_DATE.fullmatch(cell) for cell in filled]
    return bool(dates) and all(d is not None and d.group(4) and not d.group(5) for d in dates)


def _of_clocks(seconds: NDArray[np.float64]) -> TimeAxis:
    """Durations since the start when they begin in the first minute, else times of day."""
    finite = np.flatnonzero(np.isfinite(seconds))
    first = seconds[finite[0]]
    if first < 60:
        return TimeAxis(seconds)
    unwrapped = seconds.copy()
    steps = np.diff(seconds[finite])
    # Past midnight the time of day falls by nearly a whole day.
    unwrapped[finite[1:]] += _DAY_S * np.cumsum(steps < -_DAY_S / 2)
    note = f"times of day without a date; the start is {timedelta(seconds=float(first))}"
    return TimeAxis(unwrapped - first, notes=(note,))


def _of_stamps(stamps: Sequence[datetime | None], options: ReadOptions) -> TimeAxis:
    """Build the axis from single stamps: those of one file may differ in their offset from UTC."""
    import pandas as pd

    known = [stamp for stamp in stamps if stamp is not None]
    aware = [stamp for stamp in known if stamp.tzinfo is not None]
    if aware:
        stamps = [s.astimezone(UTC) if s is not None and s.tzinfo else None for s in stamps]
    axis = TimeAxis.of_stamps(pd.Series(pd.to_datetime(list(stamps))), options)
    if not aware or len(aware) == len(known):
        return axis
    note = f"{len(known) - len(aware)} stamps have no zone and were left out"
    return replace(axis, notes=(*axis.notes, note))


def _dates(
    cells: Sequence[str], filled: Sequence[str], name: str, source: Source, options: ReadOptions
) -> list[datetime | None]:
    """Dates such as 03/04/2026: day or month first as said, or as some date of the column shows."""
    parts = [_DATE.fullmatch(cell) for cell in filled]
    firsts = {int(p.group(1)) for p in parts if p}
    seconds = {int(p.group(3)) for p in parts if p}
    dotted = all(p.group(2) == "." for p in parts if p)
    day_first = options.day_first
    if day_first is None:
        if max(firsts) > 12 or dotted:
            day_first = True  # dotted dates have the day first wherever they are used
        elif max(seconds) > 12:
            day_first = False
        else:
            raise source.refuse(
                f"{filled[0]!r} in the time column {name!r}",
                "day and month cannot be told apart.",
                "say which comes first (day_first true or false), or export ISO dates.",
            )
    return [_date(cell, day_first) for cell in cells]


def _date(cell: str, day_first: bool) -> datetime | None:
    found = _DATE.fullmatch(cell)
    if found is None:
        return None
    one, _, two, year, rest = found.groups()
    day, month = (int(one), int(two)) if day_first else (int(two), int(one))
    clock = 0.0 if rest is None else clock_seconds(_plain_clock(rest))
    try:
        return None if clock is None else datetime(int(year), month, day) + timedelta(seconds=clock)  # noqa: DTZ001 - local until the zone is said
    except ValueError:
        return None


def _plain_clock(text: str) -> str:
    """A clock time with its seconds: hours and minutes alone mean the full minute."""
    return text + ":00" if re.fullmatch(r"\d{1,2}:\d{2}", text) else text
