"""Cutting a recording: by lap, event, elapsed time, clock time, or above a threshold."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.recordings import Recording, Segment, SegmentRule
from trialkit.errors import Problem, UnanswerableError
from trialkit.ingest.windows import usual_spacing

WHOLE: Final = "whole"
_DIP_S: Final = 3.0


def find_segment(recording: Recording, name: str, rules: Sequence[SegmentRule] = ()) -> Segment:
    """Find a named segment of a recording by the rule declared for it.

    Without a rule, ``whole`` is the whole recording and any other name is the name of a lap.

    Raises
    ------
    UnanswerableError
        When the recording does not hold it; the message says what it does hold.
    """
    rule = next((r for r in rules if r.name == name), None)
    if rule is not None:
        return _by_rule(recording, rule)
    if name == WHOLE:
        return Segment(WHOLE, 0.0, _end(recording), "recording")
    return _by_lap(recording, SegmentRule(name, lap=name))


def find_segments(recording: Recording, rules: Sequence[SegmentRule]) -> tuple[Segment, ...]:
    """Find all declared segments, and the rounds and rests inside those found by a threshold.

    Rounds are called ``NAME round 1`` and so on, the rests between them ``NAME rest 1``. A rule
    the recording cannot satisfy is left out here; ``find_segment`` says why.
    """
    found: list[Segment] = []
    for rule in rules:
        try:
            found.append(_by_rule(recording, rule))
        except UnanswerableError:
            continue
        if rule.channel is not None and rule.round is None:
            found += _rounds_and_rests(rule.name, stretches(recording, rule))
    return tuple(found)


def stretches(recording: Recording, rule: SegmentRule) -> tuple[Segment, ...]:
    """All stretches in which a channel stays above the rule's level for at least its hold time.

    Dips below the level and gaps of up to 3 s (or two samples, if that is longer) do not end it.
    """
    channel = recording.channels.get(rule.channel or "")
    if channel is None or rule.above is None:
        return ()
    valid = np.isfinite(channel.value)
    time_s = channel.time_s[valid]
    above = channel.value[valid] >= rule.above
    if not above.any():
        return ()
    spacing = usual_spacing(channel)
    starts, ends = _runs(time_s, above, spacing)
    starts, ends = _join(starts, ends, max(_DIP_S, 2 * spacing))
    kept = [(a, b) for a, b in zip(starts, ends, strict=True) if b - a >= rule.hold_s - 1e-9]
    origin = f"{rule.channel} at or above {rule.above:g} for {rule.hold_s:g} s"
    return tuple(
        Segment(f"{rule.name} round {i}", float(a), float(b), origin)
        for i, (a, b) in enumerate(kept, start=1)
    )


def _runs(
    time_s: NDArray[np.float64], above: NDArray[np.bool_], spacing: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    # A gap in the data is not effort: only near neighbours belong to one run.
    linked = above[1:] & above[:-1] & (np.diff(time_s) <= 2 * spacing)
    first = above & ~np.concatenate([[False], linked])
    last = above & ~np.concatenate([linked, [False]])
    return time_s[first], time_s[last] + spacing


def _join(
    starts: NDArray[np.float64], ends: NDArray[np.float64], dip_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    new = np.ones(starts.size, dtype=bool)
    new[1:] = starts[1:] - ends[:-1] > dip_s
    last = np.append(np.flatnonzero(new)[1:] - 1, starts.size - 1)
    return starts[new], ends[last]


def _rounds_and_rests(name: str, rounds: Sequence[Segment]) -> list[Segment]:
    rests = [
        Segment(f"{name} rest {i}", before.end_s, after.start_s, "between rounds")
        for i, (before, after) in enumerate(pairwise(rounds), start=1)
    ]
    return [*rounds, *rests]


def _end(recording: Recording) -> float:
    """End of the recording: the last sample stands for the spacing that follows it."""
    ends = [c.time_s[-1] + usual_spacing(c) for c in recording.channels.values() if c.time_s.size]
    return float(max(ends, default=0.0))


def _by_rule(recording: Recording, rule: SegmentRule) -> Segment:
    if rule.lap is not None:
        return _by_lap(recording, rule)
    if rule.event is not None:
        return _by_event(recording, rule)
    if rule.elapsed_s is not None:
        return _inside(recording, rule, *rule.elapsed_s, "elapsed time")
    if rule.clock is not None:
        return _by_clock(recording, rule)
    return _by_threshold(recording, rule)


def _by_lap(recording: Recording, rule: SegmentRule) -> Segment:
    laps = recording.laps
    lap = next(
        (x for i, x in enumerate(laps, start=1) if rule.lap in (i, x.name)),
        None,
    )
    if lap is None:
        held = f"{len(laps)} laps" + (f" ({', '.join(x.name for x in laps[:8])})" if laps else "")
        raise _missing(
            recording, rule, f"no lap {rule.lap!r}", f"the recording has {held}.",
            "press lap at the start and end of the part, or declare the segment by time.",
        )  # fmt: skip
    return Segment(rule.name, lap.start_s, lap.end_s, f"{lap.name}")


def _by_event(recording: Recording, rule: SegmentRule) -> Segment:
    events = sorted(recording.events, key=lambda event: event.time_s)
    start = next((event for event in events if event.name == rule.event), None)
    if start is None:
        names = ", ".join(sorted({repr(event.name) for event in events})) or "none"
        raise _missing(
            recording, rule, f"no event {rule.event!r}", f"the events are: {names}.",
            "name one of them, or declare the segment by lap or time.",
        )  # fmt: skip
    later = [event.time_s for event in events if event.time_s > start.time_s]
    end = later[0] if later else recording.duration_s
    return Segment(rule.name, start.time_s, end, f"event {rule.event!r} to the next")


def _by_clock(recording: Recording, rule: SegmentRule) -> Segment:
    if rule.clock is None or recording.started_at is None:
        raise _missing(
            recording, rule, "a recording without a known start", "clock times need one.",
            "declare the segment by lap or elapsed time, or say the time zone on reading.",
        )  # fmt: skip
    low, high = (_elapsed_of(recording, rule, text) for text in rule.clock)
    if high < low:
        high += 86400.0  # past midnight
    return _inside(recording, rule, low, high, f"clock time ({_local_start(recording).tzname()})")


def _local_start(recording: Recording) -> datetime:
    assert recording.started_at is not None
    return recording.started_at.astimezone(recording.zone or UTC)


def _elapsed_of(recording: Recording, rule: SegmentRule, text: str) -> float:
    started = _local_start(recording)
    try:
        if "T" in text or "-" in text[1:8]:
            stamp = datetime.fromisoformat(text)
            stamp = stamp if stamp.tzinfo is not None else stamp.replace(tzinfo=started.tzinfo)
            return (stamp.astimezone(UTC) - started.astimezone(UTC)).total_seconds()
        clock = time.fromisoformat(text)
    except ValueError:
        raise _missing(
            recording, rule, repr(text), "it is not an ISO time.",
            "write 17:30, 17:30:15, or 2026-01-12T17:30:15+01:00.",
        ) from None  # fmt: skip
    local = started.astimezone(clock.tzinfo or started.tzinfo)
    stamp = datetime.combine(local.date(), clock.replace(tzinfo=None), tzinfo=local.tzinfo)
    # The recording may have begun before midnight and the time lie after it.
    if stamp < local - timedelta(hours=12):
        stamp += timedelta(days=1)
    # Within one zone Python compares clock faces, which a change of the clocks would distort.
    return (stamp.astimezone(UTC) - started.astimezone(UTC)).total_seconds()


def _by_threshold(recording: Recording, rule: SegmentRule) -> Segment:
    if rule.channel is None or rule.channel not in recording.channels or rule.above is None:
        held = ", ".join(recording.channels) or "none"
        raise _missing(
            recording, rule, f"no channel {rule.channel!r}", f"the channels are: {held}.",
            "declare the threshold on a channel that is recorded.",
        )  # fmt: skip
    found = stretches(recording, rule)
    wanted = 1 if rule.round is None else rule.round
    if len(found) < wanted:
        unit = recording.channels[rule.channel].unit
        raise _missing(
            recording, rule, f"{len(found)} stretches",
            f"{rule.channel} stays at or above {rule.above:g} {unit} for {rule.hold_s:g} s "
            f"{len(found)} times.",
            "lower the level or the hold time, or declare the segment by lap or time.",
        )  # fmt: skip
    chosen = found if rule.round is None else (found[rule.round - 1],)
    return Segment(rule.name, chosen[0].start_s, chosen[-1].end_s, chosen[0].origin)


def _inside(
    recording: Recording, rule: SegmentRule, low: float, high: float, origin: str
) -> Segment:
    if not (high > low and low < recording.duration_s and high > 0):
        raise _missing(
            recording, rule, f"{low:.1f} to {high:.1f} s",
            f"the recording runs from 0 to {recording.duration_s:.1f} s.",
            "declare a stretch that lies in the recording.",
        )  # fmt: skip
    return Segment(rule.name, low, high, origin)


def _missing(
    recording: Recording, rule: SegmentRule, found: str, wrong: str, fix: str
) -> UnanswerableError:
    return UnanswerableError(Problem(f"{recording.name}, segment {rule.name!r}", found, wrong, fix))
