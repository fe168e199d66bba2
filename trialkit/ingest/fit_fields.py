"""Record messages of a FIT file as columns, and which channel each column is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from fitdecode import profile
from numpy.typing import NDArray

from trialkit.domain.measures import CHANNELS
from trialkit.domain.recordings import Channel
from trialkit.ingest.channels import (
    channel_called,
    house_unit,
    in_house_unit,
    kind_of,
    time_order,
    unique_name,
)

_RECORD_FIELDS: Final = profile.MESSAGE_TYPES[20].fields
_STAMP: Final = 253
# Positions are not needed for any measure and say where somebody lives; the others are codes.
_LEFT_OUT: Final = frozenset(
    {"position_lat", "position_long", "timestamp", "left_right_balance", "activity_type",
     "compressed_speed_distance", "compressed_accumulated_power", "cycles", "device_index"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Column:
    """One field of the record messages: its name, its unit, and the quantity it stands for."""

    name: str
    unit: str
    meaning: str
    developer: bool = False


@dataclass(frozen=True, slots=True)
class _Plan:
    """Where the columns of one definition sit in its messages."""

    definition: Any  # kept alive, so that its identity stays its own
    stamp_at: int | None
    places: tuple[tuple[int, Column], ...]
    size: int
    rows: list[list[Any]]
    stamps: list[float]
    order: list[int]


class RecordColumns:
    """Collects record messages, grouped by their definition so that each is taken apart once."""

    def __init__(self) -> None:
        self.n = 0
        self.unknown: set[str] = set()
        self._plans: dict[tuple[int, int], _Plan] = {}
        self._scales: dict[tuple[Any, Any], tuple[float, float]] = {}

    def describe(self, message: Mapping[str, Any]) -> None:
        """Note a developer field's own scale and offset, which the decoder does not apply."""
        key = (message.get("developer_data_index"), message.get("field_definition_number"))
        scale, offset = message.get("scale", 1), message.get("offset", 0)
        if isinstance(scale, int | float) and isinstance(offset, int | float) and scale:
            self._scales[key] = (float(scale), float(offset))

    def add(self, frame: Any) -> float | None:
        """Take one record; returns its stamp in seconds of the FIT epoch, or None."""
        fields = frame.fields
        key = (id(frame.def_mesg), len(fields))
        plan = self._plans.get(key)
        if plan is None:
            plan = self._plans[key] = self._plan(frame)
        # A compressed header adds the time at the end, a plain message holds it as a field.
        stamp = None if plan.stamp_at is None else fields[plan.stamp_at].value
        plan.rows.append([fields[place].value for place, _ in plan.places])
        plan.stamps.append(np.nan if stamp is None else stamp)
        plan.order.append(self.n)
        self.n += 1
        return stamp

    def _plan(self, frame: Any) -> _Plan:
        places, stamp_at = [], None
        for place, item in enumerate(frame.fields):
            if item.field is None or item.name is None or item.name.startswith("unknown"):
                self.unknown.add(f"field {item.def_num}")
            elif item.def_num == _STAMP and not _is_developer(item):
                stamp_at = place
            elif item.name not in _LEFT_OUT:
                places.append((place, _column(item)))
        return _Plan(frame.def_mesg, stamp_at, tuple(places), len(frame.fields), [], [], [])

    def stamps(self) -> NDArray[np.float64]:
        """Stamps (n,) in the order of the file; NaN where a record has none."""
        out = np.full(self.n, np.nan)
        for plan in self._plans.values():
            out[plan.order] = plan.stamps
        return out

    def columns(self) -> dict[Column, tuple[NDArray[np.intp], NDArray[np.float64]]]:
        """All numeric columns: the records that hold each (k,), and its values there (k,).

        A device may write a sensor's values in records of their own, with the same stamps as the
        others; so every column keeps its own records.
        """
        parts: dict[Column, list[tuple[NDArray[np.intp], NDArray[np.float64]]]] = {}
        for plan in self._plans.values():
            rows = np.array(plan.order, dtype=np.intp)
            merged: dict[Column, NDArray[np.float64]] = {}
            for at, (_, column) in enumerate(plan.places):
                value = _numbers([row[at] for row in plan.rows])
                if value is not None:
                    value = self._scaled(value, plan.definition, column)
                    # Two fields can expand to one name; a value already there is kept.
                    have = merged.get(column, value)
                    merged[column] = np.where(np.isnan(have), value, have)
            for column, value in merged.items():
                parts.setdefault(column, []).append((rows, value))
        return {column: _in_file_order(pieces) for column, pieces in parts.items()}

    def _scaled(
        self, value: NDArray[np.float64], definition: Any, column: Column
    ) -> NDArray[np.float64]:
        if not column.developer:
            return value
        own = {f.name: (f.dev_data_index, f.def_num) for f in definition.dev_field_defs}
        scale, offset = self._scales.get(own.get(column.name, (None, None)), (1.0, 0.0))
        return value if (scale, offset) == (1.0, 0.0) else value / scale - offset


def _is_developer(item: Any) -> bool:
    return item.field_def is not None and item.field_def.is_dev


def _column(item: Any) -> Column:
    native = getattr(item.field, "native_field_num", None)
    if _is_developer(item) and native in _RECORD_FIELDS:
        # The developer says that this field is the profile's own quantity under another number.
        meant = _RECORD_FIELDS[native]
        unit = house_unit(str(item.units or meant.units or ""))
        return Column(item.name, unit, meant.name, developer=True)
    unit = house_unit(str(item.units or ""))
    return Column(item.name, unit, item.name, _is_developer(item))


def _numbers(values: list[Any]) -> NDArray[np.float64] | None:
    """Values as floats, None as NaN; None when the field holds texts or lists."""
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        plain = [v if isinstance(v, int | float) else np.nan for v in values]
        array = np.array(plain, dtype=np.float64)
    # A list in every record makes two axes: such a field is no single quantity over time.
    if array.ndim != 1 or not np.isfinite(array).any():
        return None
    return np.where(np.isfinite(array), array, np.nan)


def column_channels(
    columns: RecordColumns, time_s: NDArray[np.float64]
) -> tuple[dict[str, Channel], list[str]]:
    """Turn record columns into channels on the time axis ``time_s`` (n,), with notes."""
    notes: list[str] = []
    if columns.unknown:
        notes.append("fields the FIT profile does not name were left out: " + _few(columns.unknown))
    raw = columns.columns()
    _add_fractions(raw)
    channels: dict[str, Channel] = {}
    for column in sorted(raw, key=_precedence):
        rows, value = raw[column]
        order = time_order(time_s[rows])
        stamps, value = time_s[rows][order.keep], value[order.keep]
        name = channel_called(column.meaning) or column.meaning
        if np.isnan(value).all() or (name in channels and not column.developer):
            continue  # no value at all, or an enhanced field of the same quantity came first
        notes += order.notes()
        name = unique_name(name, list(channels))
        origin = f"developer field {column.name}" if column.developer else column.name
        channels[name] = in_house_unit(Channel(name, column.unit, stamps, value, origin))
        _check_unit(channels, name, notes)
    return channels, list(dict.fromkeys(notes))


def _check_unit(channels: dict[str, Channel], name: str, notes: list[str]) -> None:
    wanted, channel = CHANNELS.get(kind_of(name)), channels[name]
    if wanted is None or channel.unit == wanted:
        return
    if not channel.unit:
        # A developer field without unit under a known name: the name's own unit is meant.
        channels[name] = Channel(name, wanted, channel.time_s, channel.value, channel.source)
        notes.append(f"{channel.source} states no unit; {wanted} was taken for {name}")
    else:
        notes.append(
            f"{channel.source} is in {channel.unit!r}, not in {wanted} as {name} should be"
        )


def _precedence(column: Column) -> tuple[bool, bool, str]:
    return column.developer, not column.name.startswith("enhanced_"), column.name


def _in_file_order(
    pieces: list[tuple[NDArray[np.intp], NDArray[np.float64]]],
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    rows = np.concatenate([rows for rows, _ in pieces])
    value = np.concatenate([value for _, value in pieces])
    order = np.argsort(rows)
    return rows[order], value[order]


def _add_fractions(raw: dict[Column, tuple[NDArray[np.intp], NDArray[np.float64]]]) -> None:
    """Cadence is kept in whole turns with the rest in a field of its own."""
    whole = next((c for c in raw if c.name == "cadence" and not c.developer), None)
    part = next((c for c in raw if c.name == "fractional_cadence" and not c.developer), None)
    if whole is None or part is None:
        return
    rows, turns = raw[whole]
    with_part, fraction = raw.pop(part)
    found = np.isin(with_part, rows)
    turns[np.searchsorted(rows, with_part[found])] += np.nan_to_num(fraction[found])


def _few(names: set[str]) -> str:
    listed = sorted(names)
    more = f" and {len(listed) - 5} more" if len(listed) > 5 else ""
    return ", ".join(listed[:5]) + more
