"""TCX and GPX recordings: points with whatever extensions they carry, positions not needed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.measures import CHANNELS
from trialkit.domain.recordings import Channel, Event, Integrity, Recording, Segment
from trialkit.ingest.channels import channel_called, time_order
from trialkit.ingest.sources import ReadOptions, Source
from trialkit.ingest.stamps import utc_stamp
from trialkit.ingest.xml_points import Element, Fault, elements, root_name

_TCX: Final = frozenset({"trackpoint", "lap"})
_GPX: Final = frozenset({"trkpt", "trkseg", "wpt"})
# Leaves of a point that are not measurements.
_NOT_DATA: Final = frozenset({"time", "latitudedegrees", "longitudedegrees", "sensorstate"})
_MAX_FIELDS: Final = 64  # more would be an attack on memory, not an instrument
_EARTH_RADIUS_M: Final = 6371008.8


@dataclass(slots=True)
class _Points:
    """Points in file order: stamps as UTC, leaves as numbers, positions where there are any."""

    stamps: list[datetime | None] = field(default_factory=list)
    values: dict[str, dict[int, float]] = field(default_factory=dict)
    places: list[tuple[float, float]] = field(default_factory=list)
    broken: int = 0

    def add(self, point: Element) -> None:
        row = len(self.stamps)
        self.stamps.append(utc_stamp(point.leaves.get("time", "")))
        self.places.append(_place(point.attributes))
        for name, text in point.leaves.items():
            if name in _NOT_DATA or (name not in self.values and len(self.values) >= _MAX_FIELDS):
                continue
            if (value := _number(text)) is None:
                self.broken += 1
            else:
                self.values.setdefault(name, {})[row] = value


def is_tcx(source: Source) -> bool:
    """Whether the outermost element is a training-centre database."""
    return source.kind == "xml" and root_name(source) == "trainingcenterdatabase"


def is_gpx(source: Source) -> bool:
    """Whether the outermost element is a GPX document."""
    return source.kind == "xml" and root_name(source) == "gpx"


def read_tcx(source: Source, options: ReadOptions) -> Recording:
    """Read a TCX activity: trackpoints and laps.

    Raises
    ------
    UnreadableError
        When it has no point with a time, or declares entities.
    """
    points, fault = _Points(), Fault()
    laps: list[tuple[datetime, float | None]] = []
    for element in elements(source, _TCX, fault):
        if element.name == "trackpoint":
            points.add(element)
        elif (start := utc_stamp(element.attributes.get("StartTime", ""))) is not None:
            laps.append((start, _number(element.leaves.get("totaltimeseconds", ""))))
    track = _Track.of(source, points, fault)
    return track.recording("TCX", _tcx_laps(laps, track), ())


def read_gpx(source: Source, options: ReadOptions) -> Recording:
    """Read a GPX 1.1 track: points with heart-rate and other extensions, parts, marked waypoints.

    Raises
    ------
    UnreadableError
        When it has no point with a time, or declares entities.
    """
    points, fault = _Points(), Fault()
    parts: list[tuple[int, int]] = []
    marks: list[tuple[str, datetime]] = []
    for element in elements(source, _GPX, fault):
        if element.name == "trkpt":
            points.add(element)
        elif element.name == "trkseg":
            parts.append((parts[-1][1] if parts else 0, len(points.stamps)))
        elif (stamp := utc_stamp(element.leaves.get("time", ""))) is not None:
            marks.append((element.leaves.get("name", "waypoint").strip(), stamp))
    track = _Track.of(source, points, fault)
    events = tuple(Event(name, track.elapsed(stamp)) for name, stamp in marks)
    return track.recording("GPX", _gpx_parts(parts, track), events)


@dataclass(slots=True)
class _Track:
    """Points on one time axis, ready to become a recording."""

    source: Source
    points: _Points
    fault: Fault
    start: datetime
    time_s: NDArray[np.float64]

    @classmethod
    def of(cls, source: Source, points: _Points, fault: Fault) -> _Track:
        known = [stamp for stamp in points.stamps if stamp is not None]
        if not known:
            raise source.refuse(
                fault.text or f"{len(points.stamps)} points, none with a time",
                "no sample can be read from it.",
                "export the recorded activity (not a planned route), or another format.",
            )
        start = min(known)
        time_s = [np.nan if s is None else (s - start).total_seconds() for s in points.stamps]
        return cls(source, points, fault, start, np.array(time_s))

    def elapsed(self, stamp: datetime) -> float:
        return (stamp - self.start).total_seconds()

    def recording(
        self, kind: str, laps: tuple[Segment, ...], events: tuple[Event, ...]
    ) -> Recording:
        channels, notes = self._channels()
        if self.points.broken:
            notes.append(f"{self.points.broken} entries are not numbers and were left out")
        integrity, fault = Integrity.OK, None
        if self.fault.text:
            integrity = Integrity.TRUNCATED if self.fault.truncated else Integrity.DAMAGED
            fault = f"{len(self.points.stamps)} points read before the fault ({self.fault.text})"
        return Recording(
            name=self.source.name,
            sha256=self.source.sha256,
            format=kind,
            started_at=self.start,
            channels=channels,
            laps=laps,
            events=events,
            integrity=integrity,
            fault=fault,
            notes=tuple(notes),
        )

    def _channels(self) -> tuple[dict[str, Channel], list[str]]:
        order = time_order(self.time_s)
        notes = list(order.notes())
        channels: dict[str, Channel] = {}
        for leaf, rows in self.points.values.items():
            value = np.full(self.time_s.size, np.nan)
            value[list(rows)] = list(rows.values())
            name = channel_called(leaf) or leaf
            if name in channels:
                notes.append(f"a second field for {name} ({leaf}) was left out")
                continue
            unit = CHANNELS.get(name, "")
            channels[name] = Channel(name, unit, self.time_s[order.keep], value[order.keep], leaf)
        places = np.array(self.points.places)[order.keep]
        if "distance" not in channels and np.isfinite(places).all() and len(places) > 1:
            way = np.concatenate([[0.0], np.cumsum(great_circle_m(places))])
            channels["distance"] = Channel(
                "distance", "m", self.time_s[order.keep], way, "position"
            )
            notes.append("distance was computed from the positions (great circle, no altitude)")
        return channels, notes


def great_circle_m(places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distances in metres between successive places (k, 2) of latitude and longitude in degrees.

    Haversine formula on a sphere of the Earth's mean radius, 6371008.8 m.
    """
    latitude, longitude = np.radians(places).T
    half_lat, half_lon = np.diff(latitude) / 2, np.diff(longitude) / 2
    cosines = np.cos(latitude[:-1]) * np.cos(latitude[1:])
    chord = np.sin(half_lat) ** 2 + cosines * np.sin(half_lon) ** 2
    way: NDArray[np.float64] = 2 * _EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(chord, 0, 1)))
    return way


def _tcx_laps(laps: list[tuple[datetime, float | None]], track: _Track) -> tuple[Segment, ...]:
    starts = [track.elapsed(start) for start, _ in laps]
    last = float(np.nanmax(track.time_s))
    made = []
    for number, (start, (_, length)) in enumerate(zip(starts, laps, strict=True), start=1):
        # The next lap's start is the end: total time leaves pauses out.
        end = starts[number] if number < len(starts) else max(last, start + (length or 0.0))
        if end >= start:
            made.append(Segment(f"lap {number}", start, end, "lap"))
    return tuple(made)


def _gpx_parts(parts: list[tuple[int, int]], track: _Track) -> tuple[Segment, ...]:
    if len(parts) < 2:
        return ()
    made = []
    for number, (first, stop) in enumerate(parts, start=1):
        times = track.time_s[first:stop]
        times = times[np.isfinite(times)]
        if times.size:
            made.append(Segment(f"part {number}", float(times.min()), float(times.max()), "track"))
    return tuple(made)


def _place(attributes: Mapping[str, str]) -> tuple[float, float]:
    place = (_number(attributes.get("lat", "")), _number(attributes.get("lon", "")))
    return (np.nan, np.nan) if None in place else place  # type: ignore[return-value]


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if np.isfinite(value) else None
