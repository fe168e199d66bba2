"""The calendar file against RFC 5545, and what makes a re-import update instead of double."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar

from trialkit.report.calendar_file import CalendarEntry, calendar_bytes

OSLO = ZoneInfo("Europe/Oslo")
STAMP = datetime(2026, 3, 1, 12, tzinfo=UTC)
LONG = "Åpne først, når økten starter; ikke før, aldri ellers, " * 4


def entry(number, start):
    return CalendarEntry(f"trial-{number}", start, 60, f"Trial session {number}", LONG)


# The clock moves forward between the two sessions (29 March 2026).
ENTRIES = [
    entry(1, datetime(2026, 3, 27, 17, 30, tzinfo=OSLO)),
    entry(2, datetime(2026, 3, 30, 17, 30, tzinfo=OSLO)),
]


@pytest.fixture(scope="module")
def data():
    return calendar_bytes(ENTRIES, trial_id="t-1", title="Øving", revision=3, stamp=STAMP)


def test_lines_are_folded_and_end_as_the_standard_wants(data):
    """RFC 5545 section 3.1: CRLF, and no line over 75 octets."""
    assert data.endswith(b"END:VCALENDAR\r\n")
    lines = data.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75
    assert b"\n" not in b"".join(lines)


def test_required_properties_are_there(data):
    """RFC 5545 sections 3.6 and 3.6.1: PRODID, VERSION; UID and DTSTAMP (in UTC) of each event."""
    calendar = Calendar.from_ical(data)
    assert calendar["version"] == "2.0"
    assert calendar["prodid"]
    events = calendar.walk("VEVENT")
    assert len(events) == 2
    for event in events:
        assert event["uid"]
        assert event["dtstamp"].dt == STAMP
        assert event["sequence"] == 3
        assert event["description"] == LONG


def test_times_carry_their_zone_over_a_change_of_the_clock(data):
    calendar = Calendar.from_ical(data)
    first, second = (e["dtstart"].dt for e in calendar.walk("VEVENT"))
    assert (first.hour, second.hour) == (17, 17)
    assert first.utcoffset().total_seconds() == 3600
    assert second.utcoffset().total_seconds() == 7200
    assert [str(z["tzid"]) for z in calendar.walk("VTIMEZONE")] == ["Europe/Oslo"]


def test_a_new_date_keeps_the_uid(data):
    moved = [entry(1, datetime(2026, 4, 2, 18, 0, tzinfo=OSLO)), ENTRIES[1]]
    again = calendar_bytes(moved, trial_id="t-1", title="Øving", revision=4, stamp=STAMP)
    other = calendar_bytes(moved, trial_id="t-2", title="Øving", revision=4, stamp=STAMP)

    def uids(raw):
        return [str(e["uid"]) for e in Calendar.from_ical(raw).walk("VEVENT")]

    assert uids(again) == uids(data)
    assert not set(uids(other)) & set(uids(data))
