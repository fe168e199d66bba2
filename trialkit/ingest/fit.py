"""FIT recordings, read to the first fault: records, laps, events, developer fields, beats.

The decoding is fitdecode's. Its data processors are left out (they can raise on a wild time), so
stamps arrive as seconds since 1989-12-31 UTC and are turned into UTC here. Checksums are computed
by it and judged here, so that a chained file after a faulty one is still seen.
"""

from __future__ import annotations

import struct
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from enum import IntEnum
from typing import Any, Final, TypeGuard

import fitdecode
import numpy as np
from fitdecode.reader import CrcCheck, ErrorHandling, FitReader

from trialkit.domain.recordings import Channel, Event, Integrity, Recording, Segment
from trialkit.ingest.fit_beats import UploadedHeartRate, beat_times
from trialkit.ingest.fit_fields import RecordColumns, column_channels
from trialkit.ingest.sources import ReadOptions, Source

EPOCH: Final = datetime(1989, 12, 31, tzinfo=UTC)
# Below this a stamp counts from when the device was switched on (FIT protocol, date_time).
FIRST_DATE: Final = 0x10000000
# Six days at 1 Hz. A record can be one byte long, so that the size alone bounds nothing.
MAX_FRAMES: Final = 500_000


class _Message(IntEnum):
    """Global numbers of the messages that are read (FIT profile)."""

    FILE_ID = 0
    LAP = 19
    RECORD = 20
    EVENT = 21
    ACTIVITY = 34
    HRV = 78
    HR = 132
    DESCRIPTION = 206
    BEAT_INTERVALS = 290


@dataclass(slots=True)
class _Frames:
    """What one pass over the file collected."""

    columns: RecordColumns = field(default_factory=RecordColumns)
    laps: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    beats: list[tuple[float, float]] = field(default_factory=list)  # (stamp of last record, ms)
    uploaded: UploadedHeartRate = field(default_factory=UploadedHeartRate)
    identity: dict[str, Any] = field(default_factory=dict)
    activity: dict[str, Any] = field(default_factory=dict)
    files: int = 0
    checksum_faults: int = 0
    warned: list[str] = field(default_factory=list)
    fault: str | None = None


def is_fit(source: Source) -> bool:
    """Whether the file has the FIT signature."""
    return source.kind == "fit"


def read_fit(source: Source, options: ReadOptions) -> Recording:
    """Read a FIT activity.

    Raises
    ------
    UnreadableError
        When no record with a time can be read from it.
    """
    data, repaired = _with_length(source.data)
    frames = _collect(data)
    stamps = frames.columns.stamps()
    if not np.isfinite(stamps).any() and not frames.beats and not frames.uploaded.samples:
        found = frames.fault or f"{frames.columns.n} records, none with a time"
        raise source.refuse(
            found,
            "no sample can be read from this FIT file.",
            "copy it from the device again, or export the session in another format.",
        )
    return _Assembly(source, frames, repaired).recording()


def _with_length(data: bytes) -> tuple[bytes, bool]:
    """Give a header its missing data size: a device that crashed never wrote it."""
    (size,) = struct.unpack_from("<I", data, 4) if len(data) >= 12 else (1,)
    header = data[0] if data else 0
    if size or header < 12 or len(data) <= header:
        return data, False
    fixed = bytearray(data)
    struct.pack_into("<I", fixed, 4, len(data) - header)
    if header >= 14:
        fixed[12:14] = b"\0\0"  # the header's own checksum is optional; zero means none
    return bytes(fixed), True


def _collect(data: bytes) -> _Frames:
    frames = _Frames()
    last = np.nan
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            for count, frame in enumerate(_frames_of(data)):
                last = _take(frame, frames, last)
                if count == MAX_FRAMES:
                    frames.fault = f"reading stopped after {MAX_FRAMES} messages"
                    break
        except Exception as error:  # noqa: BLE001 - the decoder leaks bare errors on damaged bytes
            frames.fault = f"{type(error).__name__}: {error}"
    frames.warned = sorted({str(item.message).split(" (")[0] for item in caught})
    return frames


def _frames_of(data: bytes) -> Iterator[Any]:
    with FitReader(
        data,
        processor=None,
        check_crc=CrcCheck.READONLY,
        error_handling=ErrorHandling.WARN,
    ) as reader:
        yield from reader


def _take(frame: Any, frames: _Frames, last: float) -> float:
    """Put one frame where it belongs; returns the stamp of the last record so far."""
    if frame.frame_type == fitdecode.FIT_FRAME_DATA:
        number = frame.def_mesg.global_mesg_num
        if number == _Message.RECORD:
            stamp = frames.columns.add(frame)
            return last if stamp is None else float(stamp)
        if number == _Message.HRV:
            frames.beats.extend((last, 1000 * s) for s in _intervals(frame))
        elif number == _Message.BEAT_INTERVALS:
            stamp = _plain(frame).get("timestamp", last)
            frames.beats.extend((float(stamp), float(ms)) for ms in _intervals(frame))
        elif number == _Message.HR:
            frames.uploaded.add(frame)
        elif number == _Message.DESCRIPTION:
            frames.columns.describe(_plain(frame))
        elif number in (_Message.LAP, _Message.EVENT, _Message.FILE_ID, _Message.ACTIVITY):
            _keep_message(number, _plain(frame), frames)
    elif frame.frame_type == fitdecode.FIT_FRAME_HEADER:
        frames.files += 1
        frames.checksum_faults += frame.crc_matched is False
    elif frame.frame_type == fitdecode.FIT_FRAME_CRC:
        frames.checksum_faults += not frame.matched
    return last


def _keep_message(number: int, message: dict[str, Any], frames: _Frames) -> None:
    if number == _Message.LAP:
        frames.laps.append(message)
    elif number == _Message.EVENT:
        frames.events.append(message)
    elif number == _Message.FILE_ID:
        frames.identity = message
    else:
        frames.activity = message


def _plain(frame: Any) -> dict[str, Any]:
    return {item.name: item.value for item in frame.fields if item.value is not None}


def _intervals(frame: Any) -> Iterator[float]:
    for item in frame.fields:
        if item.name == "time":
            # One interval arrives as a number, several as a tuple padded with the invalid code.
            values = item.value if isinstance(item.value, tuple) else (item.value,)
            yield from (value for value in values if value is not None)


class _Assembly:
    """Turns collected frames into a recording on one time axis."""

    def __init__(self, source: Source, frames: _Frames, repaired: bool) -> None:
        self.source, self.frames, self.repaired = source, frames, repaired
        self.notes: list[str] = []
        stamps = frames.columns.stamps()
        dated = stamps >= FIRST_DATE
        self.absolute = bool(dated.any())
        if self.absolute and (late := int(np.sum(np.isfinite(stamps) & ~dated))):
            stamps = np.where(dated, stamps, np.nan)
            self.notes.append(f"{late} samples carry only time since switch-on and were left out")
        finite = stamps[np.isfinite(stamps)]
        others = [stamp for stamp, _ in (*frames.beats, *frames.uploaded.samples)]
        others = [stamp for stamp in others if np.isfinite(stamp)]
        self.zero = float(finite.min()) if finite.size else min(others, default=0.0)
        self.absolute = self.absolute or self.zero >= FIRST_DATE
        self.time_s = stamps - self.zero

    def recording(self) -> Recording:
        channels, notes = column_channels(self.frames.columns, self.time_s)
        self.notes += notes
        if self.frames.beats:
            channels["rr_interval"] = self._beats()
        if self.frames.uploaded.samples and "heart_rate" not in channels:
            channels["heart_rate"] = self.frames.uploaded.channel(self.zero)
        integrity, fault = self._integrity()
        if self.frames.files > 1:
            self.notes.append(f"{self.frames.files} FIT files are chained in this one")
        return Recording(
            name=self.source.name,
            sha256=self.source.sha256,
            format="FIT",
            started_at=EPOCH + timedelta(seconds=self.zero) if self.absolute else None,
            channels=channels,
            laps=self._laps(),
            events=self._events(),
            integrity=integrity,
            fault=fault,
            notes=tuple(self.notes + self.frames.warned),
            device=self._device(),
            zone=self._zone(),
        )

    def _zone(self) -> timezone | None:
        """The device's own offset from UTC, where the file tells it."""
        local = self.frames.activity.get("local_timestamp")
        utc = self.frames.activity.get("timestamp")
        if not (_is_number(local) and _is_number(utc)):
            return None
        quarters = round((local - utc) / 900)
        if abs(local - utc - 900 * quarters) > 60 or abs(quarters) > 14 * 4:
            return None
        return timezone(timedelta(minutes=15 * quarters))

    def _integrity(self) -> tuple[Integrity, str | None]:
        frames, kept = self.frames, self.frames.columns.n
        if self.repaired:
            return Integrity.TRUNCATED, (
                "the header states a length of zero, as after a crash of the device; "
                f"{kept} records were read"
            )
        if frames.fault is not None:
            state = Integrity.TRUNCATED if "FitEOFError" in frames.fault else Integrity.DAMAGED
            return state, f"{kept} records read before the fault ({frames.fault})"
        if frames.checksum_faults:
            return Integrity.CHECKSUM, (
                "the checksum does not match: at least one byte differs from what was written"
            )
        return Integrity.OK, None

    def _beats(self) -> Channel:
        times, values = beat_times(self.frames.beats, self.zero)
        return Channel("rr_interval", "ms", times, values, "hrv messages")

    def _laps(self) -> tuple[Segment, ...]:
        made = []
        for number, lap in enumerate(self.frames.laps, start=1):
            start, stamp = lap.get("start_time"), lap.get("timestamp")
            length = lap.get("total_elapsed_time")
            if not _is_number(start):
                continue
            end = start + length if _is_number(length) else stamp
            if _is_number(end) and end >= start:
                made.append(Segment(f"lap {number}", start - self.zero, end - self.zero, "lap"))
        return tuple(made)

    def _events(self) -> tuple[Event, ...]:
        made = []
        for message in self.frames.events:
            stamp = message.get("timestamp")
            if _is_number(stamp):
                words = (message.get("event", "event"), message.get("event_type", ""))
                made.append(Event(" ".join(str(w) for w in words).strip(), stamp - self.zero))
        return tuple(made)

    def _device(self) -> Mapping[str, str]:
        wanted = ("manufacturer", "product_name", "garmin_product", "product", "type")
        return {k: str(self.frames.identity[k]) for k in wanted if k in self.frames.identity}


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and bool(np.isfinite(value))
