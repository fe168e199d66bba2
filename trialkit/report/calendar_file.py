"""The calendar of a trial as an iCalendar file (RFC 5545), for any calendar program.

Every session has a stable UID, so that importing a newer file updates the entries. No condition is
named that has not been opened.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from icalendar import Alarm, Calendar, Event

PRODUCT = "-//trialkit//calendar//EN"
REMINDER = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class CalendarEntry:
    """One session: its unchanging key, aware start, length, and what may be said about it."""

    key: str
    start: datetime
    minutes: int
    summary: str
    description: str


def calendar_bytes(
    entries: Sequence[CalendarEntry], *, trial_id: str, title: str, revision: int, stamp: datetime
) -> bytes:
    """Write the file.

    Parameters
    ----------
    entries
        The sessions; starts are aware datetimes with an IANA zone.
    trial_id
        Makes the UIDs of this trial's sessions its own.
    title
        Name of the calendar.
    revision
        Counts up with each re-dating (SEQUENCE), so that programs take the newer times.
    stamp
        When the file was made.
    """
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", title)
    for entry in entries:
        calendar.add_component(_event(entry, trial_id, revision, stamp))
    if entries:
        calendar.add_missing_timezones(
            first_date=min(e.start for e in entries).date(),
            last_date=max(e.start for e in entries).date() + timedelta(days=1),
        )
    data: bytes = calendar.to_ical()
    return data


def _event(entry: CalendarEntry, trial_id: str, revision: int, stamp: datetime) -> Event:
    event = Event()
    event.add("uid", f"{trial_id}-{entry.key}@trialkit.invalid")
    event.add("dtstamp", stamp.astimezone(UTC))
    event.add("sequence", revision)
    event.add("dtstart", entry.start)
    event.add("dtend", entry.start + timedelta(minutes=entry.minutes))
    event.add("summary", entry.summary)
    event.add("description", entry.description)
    reminder = Alarm()
    reminder.add("action", "DISPLAY")
    reminder.add("description", entry.summary)
    reminder.add("trigger", -REMINDER)
    event.add_component(reminder)
    return event
