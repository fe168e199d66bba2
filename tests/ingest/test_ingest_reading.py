"""The one door: plug-ins, zones, explicit acceptance, and files that mean to do harm."""

import io
import zipfile
from datetime import timedelta

import numpy as np
import pytest

from trialkit.domain.recordings import Recording, SegmentRule
from trialkit.errors import RequestError, UnreadableError
from trialkit.ingest import archives, reading
from trialkit.ingest.cleaning import clean
from trialkit.ingest.reading import Reader, read_recording
from trialkit.ingest.segments import find_segment
from trialkit.ingest.sources import MEBIBYTE, ReadOptions

CSV = "time_s,hr\n0,100\n1,101\n2,102\n"
STAMPED = "time,hr\n2026-03-02T16:00:00Z,100\n2026-03-02T16:00:01Z,101\n2026-03-02T16:05:00Z,102\n"


class Entry:
    """Stands for an installed entry point."""

    def __init__(self, name, thing):
        self.name, self._thing = name, thing

    def load(self):
        if isinstance(self._thing, Exception):
            raise self._thing
        return self._thing


@pytest.fixture
def plug_in(monkeypatch):
    def install(*entries):
        monkeypatch.setattr(
            reading, "entry_points", lambda group: entries if group == "trialkit.readers" else ()
        )
        reading.readers.cache_clear()

    yield install
    reading.readers.cache_clear()


def make(source, options):
    return Recording(source.name, source.sha256, "stones", None, {})


def test_a_plug_in_is_asked_first(write, plug_in):
    plug_in(Entry("stones", Reader("stones", lambda s: s.suffix == ".stones", make)))
    assert read_recording(write("a.stones", CSV)).format == "stones"
    assert read_recording(write("a.csv", CSV)).format == "CSV"


def test_a_failing_plug_in_is_a_note_and_stops_nothing(write, plug_in):
    def claims(source):
        raise ZeroDivisionError("no")

    plug_in(
        Entry("broken", ImportError("no module named stones")),
        Entry("thing", object()),
        Entry("asks", Reader("asks", claims, make)),
    )
    recording = read_recording(write("a.csv", CSV))
    assert recording.channels["heart_rate"].value.tolist() == [100, 101, 102]
    told = " | ".join(recording.notes)
    assert "plug-in 'broken' could not be loaded: no module named stones" in told
    assert "plug-in 'thing' is not a Reader" in told
    assert "reader 'asks' failed on this file: no" in told


def test_a_reader_that_stumbles_refuses_the_file(write, plug_in):
    def stumble(source, options):
        raise KeyError("x")

    plug_in(Entry("s", Reader("s", lambda s: True, stumble)))
    with pytest.raises(UnreadableError, match="cannot make sense"):
        read_recording(write("a.csv", CSV))


def test_clock_times_are_local_in_the_zone_that_was_said(write):
    rule = SegmentRule("x", clock=("17:01", "17:04"))
    recording = read_recording(
        write("a.csv", STAMPED), options=ReadOptions(time_zone="Europe/Oslo")
    )
    assert recording.started_at.utcoffset() == timedelta(0)
    found = find_segment(recording, "x", [rule])
    assert (found.start_s, found.end_s, found.origin) == (60, 240, "clock time (CET)")
    with pytest.raises(RequestError, match="no time zone"):
        read_recording(write("b.csv", STAMPED), options=ReadOptions(time_zone="Oslo/Norway"))


def test_a_fit_file_tells_its_own_offset(write, hand_fit):
    stamp = 1_141_315_200
    fit = hand_fit().define(0, 20, [(253, 4, 0x86), (3, 1, 2)]).data(0, (stamp, 4), (100, 1))
    fit.data(0, (stamp + 100, 4), (100, 1))
    fit.define(1, 34, [(253, 4, 0x86), (5, 4, 0x86)]).data(1, (stamp + 9, 4), (stamp + 5409, 4))
    recording = read_recording(write("a.fit", fit.bytes()))
    assert recording.zone.utcoffset(None) == timedelta(minutes=90)
    rule = SegmentRule("x", clock=("17:30", "17:31"))
    assert find_segment(recording, "x", [rule]).origin == "clock time (UTC+01:30)"


def test_a_second_sensor_has_the_limits_of_the_first(make_recording):
    value = np.full(100, 60.0)
    value[50] = 120
    channel = make_recording({"muscle_oxygen_2": ("%", np.arange(100.0), value)})
    assert clean(channel.channels["muscle_oxygen_2"]).n_removed == 1


def test_unusual_values_are_kept_and_told(make_recording):
    heart = make_recording({"heart_rate": ("bpm", np.arange(50.0), np.full(50, 215.0))})
    found = clean(heart.channels["heart_rate"])
    assert found.n_removed == 0
    assert found.remarks == ("50 samples outside the usual 35 to 210 bpm kept",)


def test_size_is_bounded(write):
    with pytest.raises(UnreadableError, match="more than the 0 MB"):
        read_recording(write("a.csv", CSV), options=ReadOptions(max_bytes=10))
    assert ReadOptions().max_bytes == 64 * MEBIBYTE


def archive(**members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name, content in members.items():
            target.writestr(name.replace("__", "/").replace("_xml", ".xml"), content)
    return out.getvalue()


def sheet(rows):
    return f"<worksheet><sheetData>{rows}</sheetData></worksheet>".encode()


@pytest.mark.parametrize(
    ("members", "says"),
    [
        ({"xl__worksheets__s_xml": b" " * (101 * MEBIBYTE)}, "when unpacked"),
        ({"xl__worksheets__s_xml": sheet('<c r="A1"/><c r="XFD1048576"/>')}, "spans 1048576 rows"),
        ({"xl__worksheets__s_xml": sheet("<c r='a1'/><c r = 'xfd1048576'/>")}, "spans"),
        ({"xl__worksheets__s_xml": sheet('<row r="1048576"/><c r="XFD1"/>')}, "spans"),
        ({"xl__worksheets__s_xml": sheet('<c r="&#88;FD1048576"/>')}, "spans"),
        (
            {
                "xl__worksheets__s_xml": sheet('<c t="s"/>' * 3000),
                "xl__sharedStrings_xml": b"<t>" + b"x" * 30_000 + b"</t>",
            },
            "a text of 30",
        ),
        ({"word__document_xml": b"<w/>", "xl__workbook_xml": b"<w/>"}, "without sheets"),
        ({"xl__worksheets__s_xml": b"<nothing"}, "damaged workbook"),
    ],
)
def test_workbooks_that_would_unfold_are_refused(write, members, says):
    with pytest.raises(UnreadableError, match=says):
        read_recording(write("t.xlsx", archive(**members)))


def test_a_member_that_lies_about_its_size_is_not_unpacked_further(write):
    data = bytearray(archive(xl__worksheets__s_xml=sheet("<row/>" * 50_000)))
    # Both places that state the unpacked size now state 100 bytes.
    for marker, offset in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        at = data.index(marker) + offset
        data[at : at + 4] = (100).to_bytes(4, "little")
    with pytest.raises(UnreadableError, match="damaged archive"):
        read_recording(write("t.xlsx", bytes(data)))


def test_bounds_leave_honest_workbooks_alone():
    assert archives.MAX_CELLS > 36_000 * 50  # ten hours at 1 Hz with fifty columns
