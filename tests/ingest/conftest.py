"""Builders of recordings for the tests of this room; every number in them is invented."""

from datetime import UTC, datetime

import numpy as np
import pytest
from fit_tool.fit_file_builder import FitFileBuilder
from fit_tool.profile.messages.event_message import EventMessage
from fit_tool.profile.messages.file_id_message import FileIdMessage
from fit_tool.profile.messages.lap_message import LapMessage
from fit_tool.profile.messages.record_message import RecordMessage
from fit_tool.profile.profile_type import Event, EventType, FileType, Manufacturer
from fitdecode.utils import compute_crc

from trialkit.domain.recordings import Channel, Recording

START = datetime(2026, 3, 2, 16, 0, tzinfo=UTC)
BEGIN_MS = round(START.timestamp() * 1000)


def fit_file(n=300, *, laps=((0, 60), (60, 240), (240, 300)), step_ms=1000, begin=BEGIN_MS):
    """A FIT activity of ``n`` records with a ramp in every channel, timer events and laps."""
    builder = FitFileBuilder(auto_define=True, min_string_size=50)
    head = FileIdMessage()
    head.type, head.manufacturer = FileType.ACTIVITY, Manufacturer.DEVELOPMENT.value
    head.product, head.serial_number, head.time_created = 0, 1, begin
    builder.add(head)
    builder.add(_timer(begin, EventType.START))
    builder.add_all([_record(begin + step_ms * i, i) for i in range(n)])
    builder.add(_timer(begin + step_ms * (n - 1), EventType.STOP_ALL))
    for low, high in laps:
        builder.add(_lap(begin + 1000 * low, begin + 1000 * high))
    return builder.build().to_bytes()


def _timer(at, kind):
    message = EventMessage()
    message.event, message.event_type, message.timestamp = Event.TIMER, kind, at
    return message


def _record(at, i):
    message = RecordMessage()
    message.timestamp = at
    message.heart_rate = 100 + i % 80
    message.power = 200 + i % 50
    message.cadence = 90
    message.speed = 8.5
    message.saturated_hemoglobin_percent = 60.0 - (i % 200) / 10
    message.total_hemoglobin_conc = 12.34
    return message


def _lap(low, high):
    message = LapMessage()
    message.timestamp, message.start_time = high, low
    message.total_elapsed_time = message.total_timer_time = (high - low) / 1000
    return message


class HandFit:
    """A FIT file put together byte by byte after the protocol, independent of any writer library.

    ``define`` and ``data`` take local message numbers; values are (number, size in bytes) pairs.
    """

    def __init__(self, *, big_endian=False, header=14):
        self.order = "big" if big_endian else "little"
        self.header = header
        self.body = b""

    def define(self, local, message, fields, developer=()):
        flags = 0x40 | (0x20 if developer else 0) | local
        self.body += bytes([flags, 0, self.order == "big"]) + message.to_bytes(2, self.order)
        self.body += bytes([len(fields)]) + b"".join(bytes(field) for field in fields)
        if developer:
            self.body += bytes([len(developer)]) + b"".join(bytes(field) for field in developer)
        return self

    def data(self, local, *values, compressed=None):
        head = local if compressed is None else 0x80 | local << 5 | compressed
        self.body += bytes([head])
        for value in values:
            self.body += (
                value
                if isinstance(value, bytes)
                else value[0].to_bytes(value[1], self.order, signed=value[0] < 0)
            )
        return self

    def bytes(self):
        head = bytes([self.header, 0x20]) + (2100).to_bytes(2, "little")
        head += len(self.body).to_bytes(4, "little") + b".FIT"
        if self.header == 14:
            head += compute_crc(head).to_bytes(2, "little")
        return head + self.body + compute_crc(head + self.body).to_bytes(2, "little")


@pytest.fixture(scope="session")
def hand_fit():
    return HandFit


@pytest.fixture(scope="session")
def make_fit():
    return fit_file


@pytest.fixture(scope="session")
def fit_bytes():
    return fit_file()


@pytest.fixture
def write(tmp_path):
    """Write bytes or text to a named file and return its path."""

    def write_file(name, content, encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return write_file


@pytest.fixture
def make_recording():
    """A recording from channels given as name -> (unit, time_s, value)."""

    def make(channels, **more):
        built = {
            name: Channel(name, unit, np.asarray(t, float), np.asarray(v, float))
            for name, (unit, t, v) in channels.items()
        }
        return Recording("made.fit", "0" * 64, "FIT", more.pop("started_at", START), built, **more)

    return make
