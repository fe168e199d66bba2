"""Recordings: time-stamped channels from an instrument, their laps, events and segments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class Integrity(StrEnum):
    """How whole the file was. Anything but OK is never used silently."""

    OK = "ok"
    CHECKSUM = "checksum"
    TRUNCATED = "truncated"
    DAMAGED = "damaged"


@dataclass(frozen=True, eq=False)
class Channel:
    """One measured quantity over time.

    ``time_s`` and ``value`` have shape (k,): seconds since the recording's start, strictly
    increasing, and the value in ``unit``. A sample the instrument marked invalid is NaN.
    """

    name: str
    unit: str
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    source: str = ""


@dataclass(frozen=True, slots=True)
class Segment:
    """A named stretch of a recording, from ``start_s`` up to but not including ``end_s``."""

    name: str
    start_s: float
    end_s: float
    origin: str = "declared"


@dataclass(frozen=True, slots=True)
class SegmentRule:
    """How a named segment is found in a recording; declared in the protocol.

    Exactly one way is used: ``lap`` (number from 1, or the lap's name), ``event`` (from the event
    of this name to the next), ``elapsed_s`` (from, to), ``clock`` (ISO times, from, to), or a
    threshold: ``channel`` stays ``above`` a level for at least ``hold_s`` seconds, with the
    ``round``-th such stretch (from 1) taken, or the whole span of them when ``round`` is None.
    """

    name: str
    lap: int | str | None = None
    event: str | None = None
    elapsed_s: tuple[float, float] | None = None
    clock: tuple[str, str] | None = None
    channel: str | None = None
    above: float | None = None
    hold_s: float = 5.0
    round: int | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something the instrument or the user marked at one moment."""

    name: str
    time_s: float


@dataclass(frozen=True, eq=False)
class Recording:
    """Everything read from one instrument file.

    ``started_at`` is timezone-aware, or None when the file has only elapsed time. ``fault`` says
    what was wrong when ``integrity`` is not OK; ``notes`` lists what a careful reader would want
    to know (unknown columns, invalid codes dropped, duplicate stamps). ``zone`` is the time zone in
    which clock times of this recording are meant; UTC when nobody said.
    """

    name: str
    sha256: str
    format: str
    started_at: datetime | None
    channels: Mapping[str, Channel]
    laps: tuple[Segment, ...] = ()
    events: tuple[Event, ...] = ()
    integrity: Integrity = Integrity.OK
    fault: str | None = None
    notes: tuple[str, ...] = ()
    device: Mapping[str, str] = field(default_factory=dict)
    zone: tzinfo | None = None

    @property
    def duration_s(self) -> float:
        """Seconds from the start to the last sample of any channel."""
        ends = [float(c.time_s[-1]) for c in self.channels.values() if c.time_s.size]
        return max(ends, default=0.0)
