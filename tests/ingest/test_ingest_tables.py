"""Ten awkward text tables and the traps of workbooks: read rightly or refused with a reason."""

from datetime import UTC, datetime, time, timedelta

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.errors import RequestError, UnreadableError
from trialkit.ingest.cells import Marks, number_marks, to_number
from trialkit.ingest.reading import read_recording
from trialkit.ingest.sources import ReadOptions
from trialkit.ingest.table_columns import split_unit
from trialkit.ingest.tables import read_table

HR = [100.5, 101.0, 102.5, 103.0, 104.5, 106.0]
PLAIN = "time_s,heart_rate\n" + "".join(f"{i},{h}\n" for i, h in enumerate(HR))
SEMICOLON = "Zeit;Herzfrequenz;Bemerkung\n" + "".join(
    f"{i};{str(h).replace('.', ',')};müde\n" for i, h in enumerate(HR)
)
UNITS = "time,heart rate,speed\ns,bpm,km/h\n" + "".join(f"{i},{h},36\n" for i, h in enumerate(HR))
PREAMBLE = "Device;X1\nSerial;12345\nDate;2026-03-02\n\n" + SEMICOLON
CLOCKS = "time,heart_rate,split\n" + "".join(f"0:0{i},{h},1:0{i}\n" for i, h in enumerate(HR))
GROUPED = "t;power\n" + "".join(f"{i};1.{200 + i},5\n" for i in range(6))


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("plain.csv", PLAIN.encode()),
        ("cp1252.csv", SEMICOLON.encode("cp1252")),
        ("bom.csv", SEMICOLON.encode("utf-8-sig")),
        ("utf16.tsv", PLAIN.replace(",", "\t").encode("utf-16")),
        ("utf16be.tsv", b"\xfe\xff" + PLAIN.replace(",", "\t").encode("utf-16-be")),
        ("units.csv", UNITS.encode()),
        ("preamble.csv", PREAMBLE.encode("cp1252")),
        ("clocks.csv", CLOCKS.encode()),
        ("sep.csv", b"sep=;\r\n" + SEMICOLON.replace("\n", "\r\n").encode()),
        ("bars.csv", PLAIN.replace(",", "|").encode()),
        ("trailing.csv", PLAIN.replace("\n", ",\n").replace("rate,", "rate").encode()),
        ("trailing2.csv", PLAIN.replace("\n", ",\n").encode()),
        ("padded.csv", b"made by X,,\n,,\n" + PLAIN.replace("\n", ",\n").encode()),
    ],
)
def test_awkward_text_files_are_read_rightly(write, name, content):
    recording = read_recording(write(name, content))
    channel = recording.channels["heart_rate"]
    assert channel.value.tolist() == HR
    assert channel.time_s.tolist() == [0, 1, 2, 3, 4, 5]
    assert channel.unit == "bpm"


def test_units_row_converts_speed_and_durations_become_seconds(write):
    speed = read_recording(write("units.csv", UNITS)).channels["speed"]
    assert (speed.unit, speed.value[0]) == ("m/s", 10.0)
    split = read_recording(write("clocks.csv", CLOCKS)).channels["split"]
    assert (split.unit, split.value.tolist()) == ("s", [60, 61, 62, 63, 64, 65])


def test_grouped_thousands_with_decimal_comma(write):
    power = read_recording(write("grouped.csv", GROUPED)).channels["power"]
    assert power.value.tolist() == [1200.5, 1201.5, 1202.5, 1203.5, 1204.5, 1205.5]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("heart_rate\n" + "120,5\n121,0\n119,5\n" * 3, "delimiter or the decimal mark"),
        ("time,hr\n" + "0,5,120\n1,0,121\n" * 3, "delimiter or the decimal mark"),
        ("time;power\n" + "0;1,234\n1;1,310\n" * 3, "two ways"),
        ("time;power\n" + "0;12,5\n1;12.5\n" * 3, "two ways"),
        ("0,120\n1,121\n2,122\n3,120\n", "no row of column names"),
        ("time,hr\n", "no row of column names"),
        ("time,hr\n0,100,,\n1,101,,7\n2,102,,\n3,103,,\n", "do not fit|delimiter"),
        ("time,hr\n0,100\n1,101,5,6\n2,102\n3,103\n", "do not fit"),
        ('time,hr\n0,100\n1,"101\n2,102\n3,100\n', "do not fit|without a single|hold"),
        ("when,hr\n0,100\n1,101\n", "called a time"),
        ("time,hr\n03/04/2026 10:00:00,100\n03/04/2026 10:00:01,101\n", "day and month"),
        ("time (bananas),hr\n0,100\n1,101\n", "unit of time"),
        ("time,mood\n0,fine\n1,tired\n", "no column besides"),
    ],
)
def test_what_can_be_read_in_two_ways_is_asked_about(write, text, says):
    with pytest.raises(UnreadableError, match=says):
        read_recording(write("t.csv", text))


def test_saying_it_settles_it(write):
    dates = "time,hr\n03/04/2026 10:00:00,100\n03/04/2026 10:00:02,101\n"
    options = ReadOptions(day_first=True, time_zone="Europe/Oslo")
    recording = read_recording(write("d.csv", dates), options=options)
    assert recording.started_at == datetime(2026, 4, 3, 8, 0, tzinfo=UTC)
    assert recording.duration_s == 2
    thousand = "time;power\n" + "0;1,234\n1;1,310\n" * 3
    options = ReadOptions(decimal=",")
    power = read_recording(write("p.csv", thousand), options=options).channels["power"]
    assert power.value[0] == 1.234


@pytest.mark.parametrize(
    ("cells", "start", "last"),
    [
        (["2026-03-02T16:00:00Z", "2026-03-02T16:00:03Z"], datetime(2026, 3, 2, 16, tzinfo=UTC), 3),
        (["2026-03-02 16:00:00+01:00", "2026-03-02 16:00:03+01:00"],
         datetime(2026, 3, 2, 15, tzinfo=UTC), 3),
        (["2026-03-02 16:00:00", "2026-03-02 16:00:03.5"], None, 3.5),
        (["13/04/2026 10:00", "13/04/2026 10:01"], None, 60),
        (["02.03.2026 10:00:00", "02.03.2026 10:00:05"], None, 5),
        (["23:59:58", "0:00:02"], None, 4),
        (["1772467200", "1772467203"], datetime(2026, 3, 2, 16, tzinfo=UTC), 3),
        (["1772467200000", "1772467203000"], datetime(2026, 3, 2, 16, tzinfo=UTC), 3),
    ],
)  # fmt: skip
def test_stamps_clocks_and_epochs(write, cells, start, last):
    text = "time,hr\n" + "".join(f"{c},{100 + i}\n" for i, c in enumerate(cells))
    recording = read_recording(write("t.csv", text))
    assert recording.started_at == start
    assert recording.channels["heart_rate"].time_s.tolist() == [0, last]


def test_unknown_columns_unitless_speed_and_bad_cells_are_told(write):
    text = "time_s,hart rate,speed,heart_rate\n" + "".join(
        f"{i},100,30,{'abc' if i == 7 else 150}\n" for i in range(20)
    )
    recording = read_recording(write("t.csv", text))
    notes = " | ".join(recording.notes)
    assert "'hart rate' is not a channel known here; is it heart_rate?" in notes
    assert "'speed' states no unit" in notes
    assert "'abc' (line 9)" in notes
    assert "speed" not in recording.channels
    assert np.isnan(recording.channels["heart_rate"].value[7])
    said = ReadOptions(units={"speed": "km/h"})
    speed = read_recording(write("t.csv", text), options=said).channels["speed"]
    assert speed.value[0] == pytest.approx(30 / 3.6)


def test_date_and_clock_in_two_columns_are_one_time(write):
    text = "Date,Time,HR\n" + "".join(f"2026-03-02,9:59:{58 + i},{100 + i}\n" for i in range(2))
    text += "2026-03-02,10:00:00,103\n"
    options = ReadOptions(time_zone="UTC")
    recording = read_recording(write("t.csv", text), options=options)
    assert recording.started_at == datetime(2026, 3, 2, 9, 59, 58, tzinfo=UTC)
    assert recording.channels["heart_rate"].time_s.tolist() == [0, 1, 2]
    assert "columns 'Date' and 'Time' were read together as the time" in recording.notes
    dotted = text.replace("2026-03-02", "02.03.2026").replace(",", ";")
    again = read_recording(write("d.csv", dotted), options=options)
    assert again.started_at == recording.started_at


def test_a_summary_with_names_of_its_own_above_the_table(write):
    text = "Name,Sport,Date\nRider A,ride,2026-03-02\nSample,Time,HR\n" + "".join(
        f"{i},0:00:0{i},{100 + i}\n" for i in range(6)
    )
    recording = read_recording(write("t.csv", text))
    assert recording.channels["heart_rate"].value.tolist() == [100, 101, 102, 103, 104, 105]


def test_pace_units_as_names_and_repeated_names(write):
    text = (
        "secs,km,Pace (min/km),hr,hr\n0,0,4:00,100,101\n1,0.01,4:00,101,102\n2,0.02,5:00,101,103\n"
    )
    channels = read_recording(write("t.csv", text)).channels
    assert channels["distance"].value.tolist() == [0, 10, 20]
    assert channels["speed"].value == pytest.approx([1000 / 240, 1000 / 240, 1000 / 300])
    assert channels["heart_rate_2"].value.tolist() == [101, 102, 103]


def test_a_decimal_mark_that_shows_only_late_is_not_swallowed(write):
    text = "time;power\n" + "".join(f"{i};200\n" for i in range(300)) + "300;200,5\n"
    with pytest.raises(UnreadableError, match="decimal ','") as caught:
        read_recording(write("t.csv", text))
    assert caught.value.problems[0].line == 302
    options = ReadOptions(decimal=",")
    assert (
        read_recording(write("t.csv", text), options=options).channels["power"].value[-1] == 200.5
    )


def test_split_unit_finds_the_unit_in_a_name():
    assert split_unit("time_s") == ("time", "s")
    assert split_unit("SmO2 (%)") == ("SmO2", "%")
    assert split_unit("speed_kmh") == ("speed", "km/h")
    assert split_unit("heart_rate") == ("heart_rate", "")


# --- long tables -----------------------------------------------------------------------------

LONG = "athlete,block,condition,y (W)\nA,1,new,301.5\nA,1,base,\nA,2,base,298\nA,2,new,305\n"


def test_read_table_numbers_and_labels(write):
    table = read_table(write("long.csv", LONG), numbers=["y"], labels=["block", "condition"])
    assert table["block"].tolist() == ["1", "1", "2", "2"]
    assert table["y"].tolist()[0] == 301.5
    assert np.isnan(table["y"].tolist()[1])
    assert table.index.tolist() == [2, 3, 4, 5]


def test_read_table_reports_every_bad_cell_with_its_line(write):
    text = LONG.replace("298", "abc").replace("305", "3 oh 5")
    with pytest.raises(UnreadableError) as caught:
        read_table(write("long.csv", text), numbers=["y (W)"])
    message = str(caught.value)
    assert "'abc' (line 4)" in message
    assert "'3 oh 5' (line 5)" in message
    assert caught.value.problems[0].line == 4


def test_read_table_times_signs_and_spaced_thousands(write):
    text = "who;t;share;load;gain\na;4:05,2;34 %;1 234,5;\u22121,5\nb;1:04:05;35%;2\u202f000;2\n"
    table = read_table(write("t.csv", text), numbers=["t", "share", "load", "gain"])
    assert table["t"].tolist() == [245.2, 3845]
    assert table["share"].tolist() == [34, 35]
    assert table["load"].tolist() == [1234.5, 2000]
    assert table["gain"].tolist() == [-1.5, 2]
    assert table.attrs["notes"] == ("column 't': times were read as seconds",)


def test_read_table_trailing_delimiters_and_what_stands_behind_them(write):
    table = read_table(write("t.csv", "b,c,y,\n1,x,3,\n1,z,4,\n"), numbers=["y"])
    assert table["y"].tolist() == [3, 4]
    late = "b,c,y,\n" + "1,x,3,\n" * 300 + "1,z,4,5\n"
    with pytest.raises(UnreadableError, match="beyond the last column"):
        read_table(write("t.csv", late), numbers=["y"])


def test_read_table_unknown_column_lists_and_suggests(write):
    with pytest.raises(RequestError, match="did you mean 'condition'") as caught:
        read_table(write("long.csv", LONG), labels=["conditon"])
    assert "'athlete', 'block', 'condition', 'y (W)'" in str(caught.value)
    assert caught.value.exit_status == 2


@pytest.mark.parametrize("content", [b"", b"\n\n  \n"])
def test_read_table_empty_file(write, content):
    with pytest.raises(UnreadableError, match="empty"):
        read_table(write("t.csv", content))


def test_read_table_all_columns_when_none_is_named(write):
    table = read_table(write("long.csv", LONG))
    assert table["block"].dtype == float
    assert table["condition"].tolist() == ["new", "base", "base", "new"]


# --- workbooks -------------------------------------------------------------------------------


def workbook(tmp_path, rows, *, also=None, hidden=None):
    book = openpyxl.Workbook()
    sheet = book.active
    for row in rows:
        sheet.append(row)
    if also is not None:
        book.create_sheet("second").append(also)
    if hidden is not None:
        other = book.create_sheet("secret")
        other.append(hidden)
        other.sheet_state = "hidden"
    path = tmp_path / "t.xlsx"
    book.save(path)
    return path


def test_workbook_with_durations_typed_texts_and_hidden_sheet(tmp_path):
    rows = [["notes of the day, merged across"], ["time", "heart_rate", "split"]]
    rows += [[time(0, 0, i), f"12{i},5", timedelta(hours=25, seconds=i)] for i in range(6)]
    recording = read_recording(workbook(tmp_path, rows, hidden=["x", 1]))
    assert recording.format == "XLSX"
    heart = recording.channels["heart_rate"]
    assert heart.value.tolist() == [120.5, 121.5, 122.5, 123.5, 124.5, 125.5]
    assert heart.time_s.tolist() == [0, 1, 2, 3, 4, 5]
    assert recording.channels["split"].value[1] == 90001
    assert "1 hidden sheets were not looked at" in recording.notes


def test_workbook_with_stamps(tmp_path):
    rows = [["timestamp", "power (W)"]]
    rows += [[datetime(2026, 3, 2, 16, 0, i), 200 + i] for i in range(5)]  # noqa: DTZ001
    recording = read_recording(workbook(tmp_path, rows))
    assert recording.channels["power"].time_s.tolist() == [0, 1, 2, 3, 4]


def test_workbook_with_two_full_sheets_is_asked_about(tmp_path):
    path = workbook(tmp_path, [["time", "hr"], [0, 100], [1, 101]], also=["more"])
    with pytest.raises(UnreadableError, match="say which sheet"):
        read_recording(path)
    options = ReadOptions(sheet="Sheet")
    assert read_recording(path, options=options).channels["heart_rate"].value.tolist() == [100, 101]


def test_formula_without_stored_value_is_missing(tmp_path):
    path = workbook(tmp_path, [["a", "y"], ["x", 1.5], ["y", "=1+1"], ["z", 2.5]])
    table = read_table(path, numbers=["y"])
    assert table["y"].isna().tolist() == [False, True, False]


def test_a_cell_at_the_far_corner_is_refused_not_laid_out(tmp_path):
    book = openpyxl.Workbook()
    book.active["A1"] = "time"
    book.active.cell(row=1_048_576, column=16_384, value=1)
    book.save(tmp_path / "far.xlsx")
    with pytest.raises(UnreadableError, match="spans"):
        read_recording(tmp_path / "far.xlsx")


@settings(max_examples=60, derandomize=True)
@given(
    values=st.lists(st.floats(-9999, 9999).map(lambda v: round(v, 2)), min_size=3, max_size=20),
    delimiter=st.sampled_from(";\t|"),
    decimal=st.sampled_from(".,"),
)
def test_what_is_written_is_read_back(tmp_path_factory, values, delimiter, decimal):
    path = tmp_path_factory.mktemp("t") / "t.csv"
    lines = [f"label{delimiter}y"]
    lines += [f"p{i}{delimiter}{v:.2f}".replace(".", decimal) for i, v in enumerate(values)]
    path.write_text("\n".join(lines), encoding="utf-8")
    assert read_table(path, numbers=["y"])["y"].tolist() == values


@settings(max_examples=200, derandomize=True)
@given(st.floats(-1e6, 1e6).map(lambda v: round(v, 2)), st.sampled_from([(".", ","), (",", ".")]))
def test_grouped_numbers_round_trip(value, marks):
    decimal, thousands = marks
    text = f"{value:,.2f}".replace(",", "_").replace(".", decimal).replace("_", thousands)
    assert to_number(text, Marks(decimal, thousands)) == value


def test_marks_fire_and_stay_silent():
    assert number_marks(["1", "2", "x"]) == Marks()
    assert number_marks(["12,5", "1.234"]) == Marks(",", ".")
    assert number_marks(["12.5", "1,234"]) == Marks(".", ",")
    assert number_marks(["0,125"]) == Marks(",")
    assert number_marks(["1,234,567"]) == Marks(".", ",")
    assert number_marks(["1,5", "1.5"]).doubt


@pytest.mark.parametrize(
    ("text", "channel", "value"),
    [
        (
            "Timestamp (seconds passed),SmO2,SmO2 unfiltered\n0,60,61\n1,59,58\n",
            "muscle_oxygen",
            60,
        ),
        (
            "mm-dd,hh:mm:ss,SmO2 Live,THb\n03-02,10:00:00,61,12.1\n03-02,10:00:02,60,12.2\n",
            "total_haemoglobin",
            12.1,
        ),
        (
            "Phone timestamp;RR-interval [ms]\n"
            "2026-03-02T10:00:00.5;812\n2026-03-02T10:00:01.3;820\n",
            "rr_interval",
            812,
        ),
        (
            "secs,cad,hr,km,kph,watts,alt,lon,lat\n"
            "0,90,120,0,36,200,5,10,60\n1,90,121,0,36,201,5,10,60\n",
            "power",
            200,
        ),
        ("time,SmO2 left thigh (%),lap time\n0,70,1\n1,69,2\n", "muscle_oxygen", 70),
    ],
)
def test_exports_of_several_kinds_of_instruments(write, text, channel, value):
    recording = read_recording(write("t.csv", text))
    assert recording.channels[channel].value[0] == value
    assert recording.channels[channel].time_s[0] == 0
    assert not {"lat", "lon"} & set(recording.channels)
