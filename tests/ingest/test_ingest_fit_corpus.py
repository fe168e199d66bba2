"""Awkward FIT files put together byte by byte, modelled on what real instruments write.

Field numbers and base types are those of the open FIT protocol.
"""

from datetime import timedelta

import numpy as np
import pytest

from trialkit.domain.recordings import Integrity
from trialkit.ingest.fit import EPOCH, MAX_FRAMES
from trialkit.ingest.reading import read_recording

STAMP0 = 1_141_315_200  # seconds of the FIT epoch, in March 2026
RECORD, LAP, EVENT, HRV, HR = 20, 19, 21, 78, 132
STAMP, HEART, POWER = (253, 4, 0x86), (3, 1, 0x02), (7, 2, 0x84)


def read(write, fit):
    recording = read_recording(write("hand.fit", fit.bytes()))
    assert recording.integrity is Integrity.OK, recording.fault
    return recording


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("header", [12, 14])
def test_both_byte_orders_and_headers(write, hand_fit, big_endian, header):
    fit = hand_fit(big_endian=big_endian, header=header).define(0, RECORD, [STAMP, HEART, POWER])
    for i in range(3):
        fit.data(0, (STAMP0 + i, 4), (150 + i, 1), (300 + i, 2))
    recording = read(write, fit)
    assert recording.started_at == EPOCH + timedelta(seconds=STAMP0)
    assert recording.channels["power"].value.tolist() == [300, 301, 302]


def test_developer_fields_by_native_number_name_and_scale(write, hand_fit):
    """A watch app writes muscle oxygen as a developer field that overrides the native field 57."""
    fit = hand_fit()
    fit.define(1, 207, [(1, 16, 0x0D), (3, 1, 0x02)])  # developer data id
    fit.data(1, bytes(range(16)), (0, 1))
    description = [(0, 1, 0x02), (1, 1, 0x02), (2, 1, 0x02), (3, 16, 0x07), (8, 8, 0x07),
                   (6, 1, 0x02), (14, 2, 0x84), (15, 1, 0x02)]  # fmt: skip
    fit.define(2, 206, description)
    for number, kind, name, units, scale, native in (
        (0, 0x88, b"Left thigh", b"%", 255, 57),
        (1, 0x84, b"SmO2", b"%", 10, 255),
        (2, 0x88, b"Core Temperature", b"C", 255, 255),
        (3, 0x88, b"Leg springiness", b"kN/m", 255, 255),
    ):
        fit.data(2, (0, 1), (number, 1), (kind, 1), name.ljust(16, b"\0"), units.ljust(8, b"\0"),
                 (scale, 1), (RECORD if native != 255 else 65535, 2), (native, 1))  # fmt: skip
    own = [(0, 4, 0), (1, 2, 0), (2, 4, 0), (3, 4, 0)]
    fit.define(0, RECORD, [STAMP, HEART], developer=own)
    for i in range(3):
        floats = [np.float32(v).tobytes() for v in (61.5 + i, 37.25, 9.5)]
        fit.data(0, (STAMP0 + i, 4), (150, 1), floats[0], (583 + i, 2), floats[1], floats[2])
    channels = read(write, fit).channels
    assert channels["muscle_oxygen"].value.tolist() == [61.5, 62.5, 63.5]
    assert channels["muscle_oxygen"].source == "developer field Left thigh"
    assert channels["muscle_oxygen_2"].value.tolist() == pytest.approx([58.3, 58.4, 58.5])
    assert (channels["core_temperature"].unit, channels["core_temperature"].value[0]) == (
        "°C", 37.25,
    )  # fmt: skip
    assert channels["Leg springiness"].unit == "kN/m"


def test_developer_field_without_its_description_is_no_data(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART], developer=[(7, 2, 3)])
    for i in range(3):
        fit.data(0, (STAMP0 + i, 4), (150, 1), b"\x01\x02")
    recording = read(write, fit)
    assert list(recording.channels) == ["heart_rate"]
    assert any("not defined" in note or "profile does not name" in note for note in recording.notes)


def test_compressed_headers_and_compressed_speed_and_distance(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, (8, 3, 0x0D)]).define(1, RECORD, [(8, 3, 0x0D)])
    distance = 0
    for i in range(40):
        speed, distance = 850, distance + 136  # 8.5 m/s; 8.5 m in sixteenths
        packed = (speed | (distance % 4096) << 12).to_bytes(3, "little")
        if i == 0:
            fit.data(0, (STAMP0, 4), packed)
        else:  # five bits of the time, rolling over on the way
            fit.data(1, packed, compressed=(STAMP0 + i) % 32)
    channels = read(write, fit).channels
    assert channels["speed"].time_s.tolist() == list(range(40))
    assert set(channels["speed"].value) == {8.5}
    assert channels["distance"].value == pytest.approx(8.5 * np.arange(1, 41))


def test_beat_intervals_among_records(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART]).define(1, HRV, [(0, 10, 0x84)])
    for i in range(10):
        fit.data(0, (STAMP0 + i, 4), (60, 1))
        fit.data(1, (1000 + i, 2), *[(65535, 2)] * 4)
    fit.data(0, (STAMP0 + 40, 4), (60, 1)).data(1, (990, 2), (1010, 2), *[(65535, 2)] * 3)
    beats = read(write, fit).channels["rr_interval"]
    assert beats.unit == "ms"
    assert beats.value.tolist() == pytest.approx([1000 + i for i in range(10)] + [990, 1010])
    assert beats.time_s[:2] == pytest.approx([1.0, 2.001])
    assert beats.time_s[-2:] == pytest.approx([40.99, 42.0])  # on the clock again after the pause


def test_beat_intervals_in_milliseconds(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART]).define(1, 290, [STAMP, (1, 6, 0x84)])
    for i in range(0, 20, 2):
        fit.data(0, (STAMP0 + i, 4), (60, 1))
        fit.data(1, (STAMP0 + i, 4), (990, 2), (1010, 2), (65535, 2))
    beats = read(write, fit).channels["rr_interval"]
    assert beats.value.tolist() == [990, 1010] * 10
    assert beats.time_s[-1] == pytest.approx(20)


def test_heart_rate_handed_over_by_a_strap(write, hand_fit):
    """After a swim: 12-bit stamps of the strap's clock, tied to the file's clock once."""
    fit = hand_fit().define(0, RECORD, [STAMP, (5, 4, 0x86)])
    for i in range(10):
        fit.data(0, (STAMP0 + i, 4), (100 * i, 4))
    base = 5_000_000  # ticks of 1/1024 s on the strap's clock
    fit.define(1, HR, [STAMP, (6, 1, 0x02), (9, 4, 0x86)])
    fit.data(1, (STAMP0, 4), (120, 1), (base, 4))
    fit.define(2, HR, [(6, 8, 0x02), (10, 12, 0x0D)])
    for block in range(2):
        ticks = [base + 512 * (8 * block + k + 1) for k in range(8)]
        packed = sum((t % 4096) << 12 * k for k, t in enumerate(ticks)).to_bytes(12, "little")
        fit.data(2, bytes(range(121 + 8 * block, 129 + 8 * block)), packed)
    heart = read(write, fit).channels["heart_rate"]
    assert heart.time_s == pytest.approx(0.5 * np.arange(17))
    assert heart.value.tolist() == list(range(120, 137))


def test_sensors_that_write_records_of_their_own_keep_their_values(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART]).define(1, RECORD, [STAMP, (57, 2, 0x84)])
    for i in range(20):
        fit.data(0, (STAMP0 + i, 4), (150, 1))
        if i % 2 == 0:
            fit.data(1, (STAMP0 + i, 4), (600 + i, 2))
    recording = read(write, fit)
    assert recording.channels["heart_rate"].value.size == 20
    oxygen = recording.channels["muscle_oxygen"]
    assert oxygen.time_s.tolist() == list(range(0, 20, 2))
    assert oxygen.value[:2].tolist() == [60.0, 60.2]
    assert recording.notes == ()


def test_enhanced_fields_win_and_fractional_cadence_is_added(write, hand_fit):
    fields = [STAMP, (6, 2, 0x84), (73, 4, 0x86), (4, 1, 0x02), (53, 1, 0x02)]
    fit = hand_fit().define(0, RECORD, fields)
    for i in range(3):
        fit.data(0, (STAMP0 + i, 4), (65535, 2), (70_123, 4), (90, 1), (64, 1))
    channels = read(write, fit).channels
    assert channels["speed"].value[0] == pytest.approx(70.123)
    assert channels["cadence"].value[0] == 90.5
    assert set(channels) == {"speed", "cadence"}


def test_99_laps(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART])
    for i in range(991):
        fit.data(0, (STAMP0 + i, 4), (150, 1))
    fit.define(1, LAP, [STAMP, (2, 4, 0x86), (7, 4, 0x86)])
    for k in range(99):
        fit.data(1, (STAMP0 + 10 * k + 10, 4), (STAMP0 + 10 * k, 4), (10_000, 4))
    laps = read(write, fit).laps
    assert len(laps) == 99
    assert (laps[98].name, laps[98].start_s, laps[98].end_s) == ("lap 99", 980, 990)


def test_lap_without_length_ends_at_its_stamp_and_one_without_start_is_dropped(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART])
    fit.data(0, (STAMP0, 4), (150, 1)).data(0, (STAMP0 + 50, 4), (150, 1))
    fit.define(1, LAP, [STAMP, (2, 4, 0x86), (7, 4, 0x86)])
    fit.data(1, (STAMP0 + 20, 4), (STAMP0, 4), (0xFFFFFFFF, 4))
    fit.data(1, (STAMP0 + 50, 4), (0xFFFFFFFF, 4), (1000, 4))
    laps = read(write, fit).laps
    assert [(x.start_s, x.end_s) for x in laps] == [(0, 20)]


def test_clock_trouble_is_told(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART])
    for at, rate in ((100, 99), (STAMP0 + 5, 105), (STAMP0, 100), (STAMP0, 111), (0xFFFFFFFF, 9)):
        fit.data(0, (at, 4), (rate, 1))
    recording = read(write, fit)
    assert recording.channels["heart_rate"].value.tolist() == [100, 105]
    told = " | ".join(recording.notes)
    assert "1 samples carry only time since switch-on" in told
    assert "2 samples without a time were left out" in told
    assert "the clock ran backwards 1 times" in told
    assert "1 samples repeat the time of another" in told


def test_only_time_since_switch_on(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART])
    for i in range(3):
        fit.data(0, (1000 + i, 4), (150, 1))
    recording = read(write, fit)
    assert recording.started_at is None
    assert recording.channels["heart_rate"].time_s.tolist() == [0, 1, 2]


def test_unknown_messages_fields_and_odd_sizes_are_passed_over(write, hand_fit):
    fit = hand_fit().define(3, 0xFF00, [(0, 7, 0x0D)]).data(3, b"\x01" * 7)
    # Field 210 has no name; field 7 (power) claims three bytes for a two-byte number.
    fit.define(0, RECORD, [STAMP, HEART, (210, 2, 0x84), (7, 3, 0x84)])
    for i in range(3):
        fit.data(0, (STAMP0 + i, 4), (150, 1), (7, 2), b"\x01\x02\x03")
    recording = read(write, fit)
    assert "heart_rate" in recording.channels
    assert "power" not in recording.channels
    assert any("field 210" in note for note in recording.notes)
    assert any("invalid field size 3" in note for note in recording.notes)


def test_data_before_its_definition_is_a_fault_after_what_was_read(write, hand_fit):
    fit = hand_fit().define(0, RECORD, [STAMP, HEART])
    for i in range(5):
        fit.data(0, (STAMP0 + i, 4), (150, 1))
    fit.data(5, (1, 4))
    recording = read_recording(write("hand.fit", fit.bytes()))
    assert recording.integrity is Integrity.DAMAGED
    assert "5 records read before the fault" in recording.fault
    assert recording.channels["heart_rate"].value.size == 5


def test_junk_after_the_end(write, fit_bytes):
    recording = read_recording(write("junk.fit", fit_bytes + b"\r\n<!-- made by -->\r\n"))
    assert recording.integrity is not Integrity.OK
    assert recording.channels["power"].value.size == 300


def test_a_flood_of_one_byte_records_is_stopped(write, hand_fit, monkeypatch):
    assert MAX_FRAMES >= 3 * 86_400  # three days at 1 Hz fit
    monkeypatch.setattr("trialkit.ingest.fit.MAX_FRAMES", 1000)
    fit = hand_fit().define(0, RECORD, [STAMP, HEART]).data(0, (STAMP0, 4), (150, 1))
    fit.define(1, RECORD, [])
    fit.body += b"\x01" * 5000
    recording = read_recording(write("flood.fit", fit.bytes()))
    assert recording.integrity is Integrity.DAMAGED
    assert "reading stopped after 1000 messages" in recording.fault
