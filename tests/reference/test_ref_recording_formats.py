"""Facts about FIT, GPX and TCX files, and the published GPX example read by our reader."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import fitdecode
import numpy as np
import pytest
from fitdecode import profile, types, utils

from trialkit.ingest.fit import EPOCH
from trialkit.ingest.reading import read_recording
from trialkit.ingest.xml_tracks import great_circle_m

FILE = Path(__file__).parents[2] / "reference_data" / "recording_formats" / "checks.json"
CHECKS = json.loads(FILE.read_text(encoding="utf-8"))
FIT = CHECKS["fit_format_facts"]["results"]
XML = CHECKS["gpx_tcx_format_facts"]
RECORD = profile.MESSAGE_TYPES[20].fields


def test_fit_epoch_and_example_stamp():
    assert EPOCH.timestamp() == FIT["epoch_unix"]
    stamp = EPOCH + timedelta(seconds=1_000_000_000)
    assert stamp.isoformat() == FIT["example_timestamp_1000000000_utc"].replace("Z", "+00:00")


def test_fit_checksums_of_the_decoder_we_trust():
    assert utils.compute_crc(b"123456789") == int(FIT["crc16_of_123456789"], 16)
    header = bytes.fromhex("0e10d90700000000") + b".FIT"
    expected = int(FIT["crc16_header_0e10d90700000000_FIT"], 16)
    assert utils.compute_crc(header) == expected


@pytest.mark.parametrize(
    ("key", "name", "scale"),
    [
        ("field_heart_rate", "heart_rate", None),
        ("field_cadence", "cadence", None),
        ("field_power", "power", None),
        ("field_temperature", "temperature", None),
        ("field_altitude", "altitude", "altitude_scale"),
        ("field_distance", "distance", "distance_scale"),
        ("field_speed", "speed", "speed_scale"),
        ("field_total_hemoglobin_conc", "total_hemoglobin_conc", "total_hemoglobin_scale"),
        ("field_saturated_hemoglobin_percent", "saturated_hemoglobin_percent",
         "saturated_hemoglobin_scale"),
        ("field_enhanced_speed", "enhanced_speed", None),
        ("field_enhanced_altitude", "enhanced_altitude", None),
    ],
)  # fmt: skip
def test_fit_fields_and_scales(key, name, scale):
    field = RECORD[FIT[key]]
    assert field.name == name
    if scale is not None:
        assert field.scale == FIT[scale]


def test_fit_numbers_of_messages_and_invalid_codes():
    assert profile.MESSAGE_TYPES[FIT["record_global_number"]].name == "record"
    assert profile.MESSAGE_TYPES[FIT["hrv_global_number"]].name == "hrv"
    assert types.BASE_TYPES[0x02].parse(FIT["invalid_uint8"]) is None
    assert types.BASE_TYPES[0x84].parse(FIT["invalid_uint16"]) is None


def test_scales_as_they_lie_in_a_file(tmp_path):
    """A record made by hand, byte by byte, after the published field numbers and scales."""
    fields = [(FIT["field_timestamp"], 4, 0x86), (FIT["field_altitude"], 2, 0x84),
              (FIT["field_heart_rate"], 1, 0x02), (FIT["field_speed"], 2, 0x84),
              (FIT["field_total_hemoglobin_conc"], 2, 0x84),
              (FIT["field_saturated_hemoglobin_percent"], 2, 0x84)]  # fmt: skip
    definition = bytes([0x40, 0, 0, FIT["record_global_number"], 0, len(fields)])
    definition += b"".join(bytes(field) for field in fields)
    rows = b""
    for i in range(3):
        raw = [(1_000_000_000 + i, 4), ((250 + 500) * 5, 2), (150, 1), (3500, 2), (1234, 2),
               (561, 2)]  # fmt: skip
        rows += b"\x00" + b"".join(v.to_bytes(n, "little") for v, n in raw)
    body = definition + rows
    header = bytes([FIT["header_min_bytes"], 0x10, 0, 0]) + len(body).to_bytes(4, "little")
    header += b".FIT"
    assert header[FIT["signature_offset"] :] == FIT["signature"].encode()
    data = header + body
    path = tmp_path / "hand.fit"
    path.write_bytes(data + utils.compute_crc(data).to_bytes(FIT["file_crc_bytes"], "little"))
    channels = read_recording(path).channels
    found = {name: channel.value.tolist() for name, channel in channels.items()}
    assert found == {
        "altitude": [250.0] * 3, "heart_rate": [150.0] * 3, "speed": [3.5] * 3,
        "total_haemoglobin": [12.34] * 3, "muscle_oxygen": [56.1] * 3,
    }  # fmt: skip
    assert fitdecode.FIT_FRAME_DATA


def test_published_gpx_example(tmp_path):
    want = XML["results"]
    path = tmp_path / "example.gpx"
    path.write_text(XML["data"]["gpx"], encoding="utf-8")
    recording = read_recording(path)
    heart = recording.channels["heart_rate"]
    assert heart.value.size == want["example_points"]
    assert heart.value[0] == want["example_hr_first"]
    assert np.isnan(heart.value[1]) == want["example_hr_second_missing"]
    assert recording.channels["cadence"].value[0] == 99
    assert recording.duration_s == want["example_elapsed_s"]
    way = recording.channels["distance"].value[1]
    assert way == pytest.approx(want["example_haversine_m_R6371008p8"], rel=1e-9)
    # A sphere instead of the ellipsoid: at most half a percent off (WGS 84 flattening 1/298).
    assert way == pytest.approx(want["example_wgs84_m"], rel=5e-3)


def test_every_published_element_name_is_understood(tmp_path):
    leaves = {name: i + 20 for i, name in enumerate(XML["results"]["tpx_elements"].split())}
    inner = "".join(f"<t:{name}>{value}</t:{name}>" for name, value in leaves.items())
    space = XML["results"]["gpx_namespace"], XML["results"]["tpx_namespace"]
    points = "".join(
        f"<trkpt><time>2026-03-02T16:00:0{s}Z</time><extensions><t:TrackPointExtension>"
        f"{inner}</t:TrackPointExtension></extensions></trkpt>"
        for s in range(2)
    )
    path = tmp_path / "all.gpx"
    path.write_text(
        f'<gpx xmlns="{space[0]}" xmlns:t="{space[1]}"><trk><trkseg>{points}</trkseg></trk></gpx>'
    )
    channels = read_recording(path).channels
    for leaf, name in {"atemp": "temperature", "hr": "heart_rate", "cad": "cadence"}.items():
        assert channels[name].value.tolist() == [leaves[leaf]] * 2
    assert channels["depth"].value[0] == leaves["depth"]


def test_great_circle_of_a_quarter():
    quarter = great_circle_m(np.array([[0.0, 0.0], [0.0, 90.0]]))
    assert quarter[0] == pytest.approx(np.pi / 2 * 6371008.8, rel=1e-12)
