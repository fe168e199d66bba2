"""TCX and GPX recordings: extensions under any prefix, no positions needed, attacks refused."""

from datetime import UTC, datetime

import numpy as np
import pytest

from trialkit.domain.recordings import Integrity
from trialkit.errors import UnreadableError
from trialkit.ingest.reading import read_recording

START = datetime(2026, 3, 2, 16, 0, tzinfo=UTC)

TCX = """<?xml version="1.0" encoding="UTF-8"?>
<TrainingCenterDatabase xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"
  xmlns:{p}="http://www.garmin.com/xmlschemas/ActivityExtension/v2">
 <Activities><Activity Sport="Biking"><Id>2026-03-02T16:00:00Z</Id>{laps}</Activity></Activities>
</TrainingCenterDatabase>"""
LAP = (
    '<Lap StartTime="{start}"><TotalTimeSeconds>{length}</TotalTimeSeconds>'
    "<Track>{points}</Track></Lap>"
)
POINT = """<Trackpoint><Time>{time}</Time><DistanceMeters>{d}</DistanceMeters>
<HeartRateBpm><Value>{hr}</Value></HeartRateBpm><Cadence>90</Cadence>
<Extensions><{p}:TPX><{p}:Speed>8.5</{p}:Speed><{p}:Watts>{w}</{p}:Watts></{p}:TPX></Extensions>
</Trackpoint>"""


def stamp(seconds):
    return f"2026-03-02T16:{seconds // 60:02d}:{seconds % 60:02d}.000Z"


def tcx(prefix="ns3"):
    laps = ""
    for start, end in ((0, 60), (60, 150)):
        points = "".join(
            POINT.format(time=stamp(s), d=8.5 * s, hr=100 + s % 60, w=200 + s, p=prefix)
            for s in range(start, end)
        )
        laps += LAP.format(start=stamp(start), length=end - start, points=points)
    return TCX.format(p=prefix, laps=laps)


def gpx(points, parts=1, head='<?xml version="1.0"?>'):
    body = "".join(f"<trkseg>{points}</trkseg>" for _ in range(parts))
    space = 'xmlns="http://www.topografix.com/GPX/1/1"'
    return f'{head}<gpx {space} version="1.1"><trk>{body}</trk></gpx>'


@pytest.mark.parametrize("prefix", ["ns3", "x", "ax2"])
def test_indoor_tcx_with_any_prefix(write, prefix):
    recording = read_recording(write("indoor.tcx", tcx(prefix)))
    assert recording.format == "TCX"
    assert recording.integrity is Integrity.OK
    assert recording.started_at == START
    assert recording.channels["power"].value[:3].tolist() == [200, 201, 202]
    assert recording.channels["heart_rate"].unit == "bpm"
    assert recording.channels["speed"].value[0] == 8.5
    assert [(s.start_s, s.end_s) for s in recording.laps] == [(0, 60), (60, 150)]


def test_leading_blanks_and_byte_order_mark(write):
    assert read_recording(write("a.tcx", "\n  " + tcx())).integrity is Integrity.OK
    assert read_recording(write("b.tcx", "\ufeff" + tcx())).integrity is Integrity.OK


def test_cut_tcx_is_read_to_the_fault(write):
    text = tcx()
    recording = read_recording(write("cut.tcx", text[: len(text) // 2]))
    assert recording.integrity is Integrity.TRUNCATED
    assert 50 < recording.channels["power"].value.size < 100


@pytest.mark.parametrize(
    "extension",
    [
        "<gpxtpx:Point xmlns:gpxtpx='t'><gpxtpx:hr>150</gpxtpx:hr></gpxtpx:Point>",
        "<ns3:TrackPointExtension xmlns:ns3='t'><ns3:hr>150</ns3:hr></ns3:TrackPointExtension>",
        "<heartrate>150</heartrate>",
        "<q:HeartRate xmlns:q='t'>150</q:HeartRate>",
    ],
)
def test_gpx_heart_rate_under_differing_names(write, extension):
    points = "".join(
        f"<trkpt><time>{stamp(s)}</time><extensions>{extension}<power>210</power></extensions></trkpt>"
        for s in range(5)
    )
    recording = read_recording(write("gym.gpx", gpx(points)))
    assert recording.channels["heart_rate"].value.tolist() == [150] * 5
    assert recording.channels["power"].value.tolist() == [210] * 5
    assert "distance" not in recording.channels


def test_gpx_parts_waypoints_and_points_without_time(write):
    points = "".join(
        f"<trkpt lat='60' lon='10'><time>{stamp(s)}</time><ele>5</ele></trkpt>" for s in (0, 1, 2)
    )
    late = points.replace("16:00", "16:02")
    text = (
        '<gpx xmlns="http://www.topografix.com/GPX/1/1">'
        f"<wpt lat='60' lon='10'><time>{stamp(2)}</time><name>start of effort</name></wpt><trk>"
        f"<trkseg>{points}<trkpt lat='60' lon='10'><ele>5</ele></trkpt></trkseg>"
        f"<trkseg>{late}</trkseg></trk></gpx>"
    )
    recording = read_recording(write("parts.gpx", text))
    assert [s.name for s in recording.laps] == ["part 1", "part 2"]
    assert recording.laps[1].start_s == 120
    assert [(e.name, e.time_s) for e in recording.events] == [("start of effort", 2)]
    assert "1 samples without a time were left out" in recording.notes


def test_words_among_numbers_are_counted_not_read(write):
    points = "".join(
        f"<trkpt><time>{stamp(s)}</time><hr>{h}</hr></trkpt>"
        for s, h in enumerate(["120", "n/a", "inf"])
    )
    recording = read_recording(write("w.gpx", gpx(points)))
    value = recording.channels["heart_rate"].value
    assert value[0] == 120
    assert np.isnan(value[1:]).all()
    assert "2 entries are not numbers and were left out" in recording.notes


LAUGHS = '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("bomb.gpx", gpx("<trkpt><time>&b;</time></trkpt>", head=LAUGHS), "entity declaration"),
        ("dtd.tcx", tcx().replace("?>", '?><!DOCTYPE x SYSTEM "f">'), "a document type"),
        ("attributes.gpx", gpx("<a " + "b='1' " * 20_000 + "/>"), "without a new element"),
        ("comment.gpx", gpx("<!--" + "<a>" * 30_000 + "-->"), "a comment or instruction"),
        ("wide.gpx", gpx("").encode("utf-16-le").decode("latin-1"), "XML file of another kind"),
        ("deep.gpx", gpx("<a>" * 200 + "</a>" * 200), "nested more than"),
        ("plan.gpx", gpx("<trkpt lat='1' lon='1'></trkpt>"), "none with a time"),
        ("other.xml", "<?xml version='1.0'?><note><to>me</to></note>", "XML file of another kind"),
        ("broken.gpx", "<gpx><trk", "points|Parse"),
    ],
)
def test_refused_with_a_reason(write, name, text, says):
    with pytest.raises(UnreadableError, match=says):
        read_recording(write(name, text))


def test_a_flood_of_field_names_stays_small(write):
    points = "".join(f"<trkpt><time>{stamp(s)}</time><f{s}>1</f{s}></trkpt>" for s in range(500))
    assert len(read_recording(write("flood.gpx", gpx(points))).channels) <= 64
