"""Make the invented recordings of `trialkit demo` as genuine FIT files.

Run from the root of a checkout with the ``dev`` extra installed:

    python tools/make_demo_recordings.py

The scenario is invented: a rider does one 4-minute effort per session, sixteen sessions, with the
condition that the demo's own draw gives. Built into the data: the 20-minute warm-up raises mean
power by 3.5 %, noise is 1.5 % (SD of one effort), days differ by 1.2 % (SD).
"""

from __future__ import annotations

import sys
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
from fit_tool.fit_file_builder import FitFileBuilder
from fit_tool.profile.messages.activity_message import ActivityMessage
from fit_tool.profile.messages.event_message import EventMessage
from fit_tool.profile.messages.file_id_message import FileIdMessage
from fit_tool.profile.messages.lap_message import LapMessage
from fit_tool.profile.messages.record_message import RecordMessage
from fit_tool.profile.messages.session_message import SessionMessage
from fit_tool.profile.profile_type import Event, EventType, FileType, Manufacturer, Sport

from trialkit.app.demo import demo_allocation, demo_starts

EFFECT = 0.035  # log effect of the warm-up on mean power
NOISE = 0.015
DAY_SD = 0.012
DATA_SEED = 20260112
REST_S, EFFORT_S, AFTER_S = 120, 240, 120
OUT = Path(__file__).resolve().parents[1] / "trialkit" / "app" / "demo_data" / "recordings"


def main() -> int:
    rng = np.random.default_rng(DATA_SEED)
    allocation = demo_allocation()
    pair_level = rng.normal(0, DAY_SD, 1 + max(p.block for p in allocation.periods))
    OUT.mkdir(parents=True, exist_ok=True)
    for period, start in zip(allocation.periods, demo_starts(allocation), strict=True):
        warm = period.condition == "warm"
        level = EFFECT * warm + pair_level[period.block] + rng.normal(0, NOISE)
        channels = signals(rng, warm=warm, mean_power=290 * np.exp(level))
        (OUT / f"session-{period.number:02d}.fit").write_bytes(fit_bytes(start, channels))
    return 0


def signals(rng: np.random.Generator, *, warm: bool, mean_power: float) -> dict[str, np.ndarray]:
    """One session's channels, one value per second from the start of the recording."""
    t = np.arange(REST_S + EFFORT_S + AFTER_S + 1)
    s = np.clip(t - REST_S, 0, EFFORT_S)  # seconds into the effort
    a = np.clip(t - REST_S - EFFORT_S, 0, None)  # seconds after it
    before, during = t < REST_S, (t >= REST_S) & (t < REST_S + EFFORT_S)
    after = ~before & ~during
    return {
        "power": power(rng, during, mean_power),
        "cadence": np.where(during, 94, 62) + np.round(rng.normal(0, 2.2, t.size)),
        "heart_rate": np.round(heart_rate(rng, warm, s, a)),
        "oxygen": np.round(oxygen(rng, warm, (before, during, after), (s, a)), 1),
        "haemoglobin": np.round(12.4 + 0.25 * (1 - np.exp(-s / 60)) + smooth(rng, t.size, 0.03), 2),
    }


def power(rng: np.random.Generator, during: np.ndarray, mean_power: float) -> np.ndarray:
    """A fast start, a settled middle and a last push; the mean of the effort is as asked."""
    n = int(during.sum())
    u = np.linspace(0, 1, n)
    shape = 1 + 0.16 * np.exp(-u / 0.06) + 0.07 * np.clip((u - 0.85) / 0.15, 0, 1)
    effort = shape * (1 + smooth(rng, n, 0.02)) + rng.normal(0, 0.025, n)
    effort *= mean_power / effort.mean()
    easy = np.clip(rng.normal(75, 9, during.size), 0, None)
    easy[during] = effort
    return np.round(easy)


def heart_rate(rng: np.random.Generator, warm: bool, s: np.ndarray, a: np.ndarray) -> np.ndarray:
    start = (112 if warm else 94) + rng.normal(0, 3)
    top = 183 + rng.normal(0, 1.5)
    rise = start + (top - start) * (1 - np.exp(-s / rng.normal(34 if warm else 41, 2)))
    fall = (top - 118) * (1 - np.exp(-a / rng.normal(62, 4)))
    return rise - np.where(a > 0, fall, 0) + smooth(rng, s.size, 0.9)


def oxygen(
    rng: np.random.Generator,
    warm: bool,
    phases: tuple[np.ndarray, np.ndarray, np.ndarray],
    clocks: tuple[np.ndarray, np.ndarray],
) -> np.ndarray:
    """Muscle oxygen: level before, fall in the effort, recovery with overshoot after it."""
    (before, during, _), (s, a) = phases, clocks
    rest = (71 if warm else 66) + rng.normal(0, 2)
    low = (33 if warm else 31) + rng.normal(0, 2.5)
    fall = rest + (low - rest) * (1 - np.exp(-s / (19 if warm else 24)))
    back = fall[-1] + (rest + 5 - fall[-1]) * (1 - np.exp(-a / 26))
    level = np.where(before, rest, np.where(during, fall, back))
    return np.clip(level + smooth(rng, s.size, 0.8), 1, 99)


def smooth(rng: np.random.Generator, n: int, sd: float) -> np.ndarray:
    """Slow noise: a first-order autoregression with a memory of about ten seconds."""
    noise = rng.normal(0, sd * np.sqrt(1 - 0.9**2), n)
    out = np.empty(n)
    out[0] = rng.normal(0, sd)
    for i in range(1, n):
        out[i] = 0.9 * out[i - 1] + noise[i]
    return out


def fit_bytes(start: datetime, channels: dict[str, np.ndarray]) -> bytes:
    """The session as a FIT activity: file id, timer events, records, three laps, session."""
    builder = FitFileBuilder(auto_define=True, min_string_size=50)
    begin = round(start.timestamp() * 1000)
    builder.add(file_id(begin))
    builder.add(timer(begin, EventType.START))
    n = len(channels["power"])
    builder.add_all([record(begin + 1000 * i, channels, i) for i in range(n)])
    end = begin + 1000 * (n - 1)
    builder.add(timer(end, EventType.STOP_ALL))
    edges = np.cumsum([0, REST_S, EFFORT_S, AFTER_S]) * 1000 + begin
    for number, (low, high) in enumerate(pairwise(edges)):
        builder.add(lap(number, int(low), int(high)))
    builder.add(session(begin, end))
    builder.add(activity(end, n - 1))
    return builder.build().to_bytes()


def file_id(begin: int) -> FileIdMessage:
    message = FileIdMessage()
    message.type = FileType.ACTIVITY
    message.manufacturer = Manufacturer.DEVELOPMENT.value
    message.product = 0
    message.serial_number = 1
    message.time_created = begin
    return message


def timer(at: int, kind: EventType) -> EventMessage:
    message = EventMessage()
    message.event, message.event_type, message.timestamp = Event.TIMER, kind, at
    return message


def record(at: int, channels: dict[str, np.ndarray], i: int) -> RecordMessage:
    message = RecordMessage()
    message.timestamp = at
    message.heart_rate = int(channels["heart_rate"][i])
    message.power = int(channels["power"][i])
    message.cadence = int(channels["cadence"][i])
    message.saturated_hemoglobin_percent = float(channels["oxygen"][i])
    message.total_hemoglobin_conc = float(channels["haemoglobin"][i])
    return message


def lap(number: int, low: int, high: int) -> LapMessage:
    message = LapMessage()
    message.message_index = number
    message.timestamp, message.start_time = high, low
    message.total_elapsed_time = message.total_timer_time = (high - low) / 1000
    return message


def session(begin: int, end: int) -> SessionMessage:
    message = SessionMessage()
    message.timestamp, message.start_time = end, begin
    message.total_elapsed_time = message.total_timer_time = (end - begin) / 1000
    message.sport = Sport.CYCLING
    message.num_laps = 3
    return message


def activity(end: int, seconds: int) -> ActivityMessage:
    message = ActivityMessage()
    message.timestamp = end
    message.total_timer_time = float(seconds)
    message.num_sessions = 1
    return message


if __name__ == "__main__":
    sys.exit(main())
