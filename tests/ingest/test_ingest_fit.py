"""FIT recordings, whole and damaged in the ways devices and copies damage them."""

import struct
from datetime import UTC, datetime

import fitdecode
import numpy as np
import pytest

from trialkit.domain.recordings import Integrity
from trialkit.errors import UnreadableError
from trialkit.ingest.reading import accept, read_recording


def test_channels_units_laps_events(write, fit_bytes):
    recording = read_recording(write("ride.fit", fit_bytes))
    assert recording.integrity is Integrity.OK
    assert recording.fault is None
    assert recording.started_at == datetime(2026, 3, 2, 16, 0, tzinfo=UTC)
    units = {name: c.unit for name, c in recording.channels.items()}
    assert units == {
        "heart_rate": "bpm", "power": "W", "cadence": "rpm", "speed": "m/s",
        "muscle_oxygen": "%", "total_haemoglobin": "g/dL",
    }  # fmt: skip
    assert recording.channels["muscle_oxygen"].value[:3].tolist() == [60.0, 59.9, 59.8]
    assert recording.channels["total_haemoglobin"].value[0] == 12.34
    assert recording.channels["speed"].value[0] == 8.5
    assert [(s.name, s.start_s, s.end_s) for s in recording.laps] == [
        ("lap 1", 0, 60), ("lap 2", 60, 240), ("lap 3", 240, 300),
    ]  # fmt: skip
    assert [(e.name, e.time_s) for e in recording.events] == [
        ("timer start", 0), ("timer stop_all", 299),
    ]  # fmt: skip


def test_cut_file_is_read_to_the_fault_and_never_silently(write, fit_bytes):
    recording = read_recording(write("cut.fit", fit_bytes[: len(fit_bytes) // 2]))
    assert recording.integrity is Integrity.TRUNCATED
    assert 100 < recording.channels["power"].value.size < 200
    with pytest.raises(UnreadableError, match="never used silently") as caught:
        accept(recording)
    assert caught.value.exit_status == 3
    assert accept(recording, damaged=True) is recording


def test_flipped_byte_is_seen_by_the_checksum(write, fit_bytes):
    data = bytearray(fit_bytes)
    data[len(data) // 2] ^= 0x04
    recording = read_recording(write("flip.fit", bytes(data)))
    assert recording.integrity is not Integrity.OK
    assert recording.fault


def test_header_of_length_zero_after_a_crash(write, fit_bytes):
    data = bytearray(fit_bytes[:-2])
    struct.pack_into("<I", data, 4, 0)
    recording = read_recording(write("crash.fit", bytes(data)))
    assert recording.integrity is Integrity.TRUNCATED
    assert "length of zero" in recording.fault
    assert recording.channels["power"].value.size == 300
    assert len(recording.laps) == 3


def test_damaged_header_checksum_still_gives_the_records(write, fit_bytes):
    # A header of 14 bytes with a checksum of its own, which does not match.
    data = bytes([14]) + fit_bytes[1:12] + b"\x34\x12" + fit_bytes[12:]
    recording = read_recording(write("head.fit", data))
    assert recording.integrity is Integrity.CHECKSUM
    assert recording.channels["power"].value.size == 300


def test_chained_files(write, make_fit, fit_bytes):
    later = make_fit(100, laps=(), begin=1772467200000 + 400_000)
    recording = read_recording(write("chain.fit", fit_bytes + later))
    assert recording.integrity is Integrity.OK
    assert recording.channels["power"].value.size == 400
    assert recording.duration_s == 499
    assert "2 FIT files are chained in this one" in recording.notes


def test_a_fault_in_the_first_of_two_files_does_not_hide_the_second(write, make_fit, fit_bytes):
    data = bytearray(fit_bytes)
    data[-1] ^= 0xFF  # the checksum at the end of the first file
    later = make_fit(100, laps=(), begin=1772467200000 + 400_000)
    recording = read_recording(write("chain.fit", bytes(data) + later))
    assert recording.integrity is Integrity.CHECKSUM
    assert recording.channels["power"].value.size == 400


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("empty.fit", b"", "empty"),
        ("zeros.fit", bytes(512), "empty"),
        ("page.fit", b"<!DOCTYPE html><html><body>Log in</body></html>", "HTML page"),
        ("packed.fit", b"\x1f\x8b\x08\x00rest", "packed archive"),
        ("head-only.fit", b"\x0e\x20\x00\x00\x00\x00\x00\x00.FIT\x00\x00", "no sample"),
        ("noise.fit", bytes(range(256)) * 4, "no format known"),
    ],
)
def test_what_is_no_recording_is_refused_with_a_reason(write, name, content, says):
    with pytest.raises(UnreadableError, match=says) as caught:
        read_recording(write(name, content))
    assert caught.value.exit_status == 3
    assert all(p.fix for p in caught.value.problems)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(UnreadableError, match="no such file"):
        read_recording(tmp_path / "none.fit")
    with pytest.raises(UnreadableError, match="a folder"):
        read_recording(tmp_path)


def test_invalid_codes_never_become_data(write, fit_bytes):
    """0xFF in a heart rate and 0xFFFF in a power mean "no value" (FIT protocol)."""
    plain = read_recording(write("plain.fit", fit_bytes)).channels
    data, at = bytearray(fit_bytes), None
    with fitdecode.FitReader(bytes(data), keep_raw_chunks=True) as reader:
        for frame in reader:
            if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name == "record":
                at = frame
                break
    offset = 1 + at.chunk.offset
    for field in at.def_mesg.field_defs:
        if field.name in ("heart_rate", "power", "saturated_hemoglobin_percent"):
            data[offset : offset + field.size] = b"\xff" * field.size
        offset += field.size
    seen = read_recording(write("invalid.fit", bytes(data))).channels
    for name in ("heart_rate", "power", "muscle_oxygen"):
        assert np.isnan(seen[name].value[0])
        assert np.array_equal(seen[name].value[1:], plain[name].value[1:])
    assert seen["cadence"].value[0] == 90
