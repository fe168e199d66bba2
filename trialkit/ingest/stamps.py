"""Times as people and devices write them: ISO stamps, clock times, durations, dates."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from trialkit.errors import Problem, RequestError

_CLOCK: Final = re.compile(r"\s*(?:(\d{1,3}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)\s*")
_ISO: Final = re.compile(r"\s*\d{4}-\d{1,2}-\d{1,2}([T ]|\s*$)")


def clock_seconds(text: str) -> float | None:
    """Seconds of a duration or clock time ``h:mm:ss``, ``m:ss`` or ``m:ss.f``; else None.

    Examples
    --------
    >>> clock_seconds("1:02:03.5")
    3723.5
    >>> clock_seconds("4:05,2")
    245.2
    >>> clock_seconds("4:75") is None
    True
    """
    found = _CLOCK.fullmatch(text)
    if found is None:
        return None
    hours, minutes, seconds = found.groups()
    rest = float(seconds.replace(",", "."))
    if rest >= 60 or (hours is not None and int(minutes) >= 60):
        return None
    return 3600.0 * int(hours or 0) + 60.0 * int(minutes) + rest


def iso_stamp(text: str) -> datetime | None:
    """Read an ISO 8601 stamp, with or without zone; None when it is not one."""
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return None


def utc_stamp(text: str) -> datetime | None:
    """Read a stamp of a format that promises UTC: one without zone is taken at its word."""
    stamp = iso_stamp(text)
    if stamp is None:
        return None
    try:
        return stamp.replace(tzinfo=UTC) if stamp.tzinfo is None else stamp.astimezone(UTC)
    except (OverflowError, ValueError):
        return None


def looks_iso(text: str) -> bool:
    """Whether a text begins with a year-first date."""
    return _ISO.match(text) is not None


def zone_called(name: str) -> ZoneInfo:
    """Time zone of an IANA name.

    Raises
    ------
    RequestError
        When no zone has this name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise RequestError(
            Problem(
                "time_zone",
                repr(name),
                "no time zone has this name.",
                "use an IANA name such as Europe/Oslo, or UTC.",
            )
        ) from error
