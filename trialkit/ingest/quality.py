"""The quality page of a recording as a value, and told in lines."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from trialkit.domain.measures import MeasuredValue
from trialkit.domain.plans import Plan
from trialkit.domain.quality import ChannelQuality, RecordingQuality
from trialkit.domain.recordings import Channel, Recording, SegmentRule
from trialkit.errors import UnanswerableError
from trialkit.ingest.cleaning import clean
from trialkit.ingest.segments import WHOLE, find_segment, find_segments
from trialkit.ingest.windows import cut


def recording_quality(
    recording: Recording,
    *,
    rules: Sequence[SegmentRule] = (),
    values: Mapping[str, MeasuredValue] | None = None,
) -> RecordingQuality:
    """Gather what was read, removed, covered, cut and measured in one recording.

    Parameters
    ----------
    recording
        The recording as it was read.
    rules
        How the protocol cuts a recording.
    values
        What was measured, by outcome.
    """
    missing = []
    for rule in rules:
        try:
            find_segment(recording, rule.name, rules)
        except UnanswerableError as error:
            missing.append((rule.name, error.problems[0].wrong))
    return RecordingQuality(
        name=recording.name,
        format=recording.format,
        sha256=recording.sha256,
        started_at=recording.started_at,
        duration_s=recording.duration_s,
        integrity=recording.integrity,
        fault=recording.fault,
        channels=tuple(_channel(recording, c) for c in recording.channels.values()),
        segments=find_segments(recording, rules),
        missing=tuple(missing),
        values=dict(values or {}),
        notes=recording.notes,
    )


def explain_recording(
    recording: Recording, values: Mapping[str, MeasuredValue], plan: Plan
) -> Iterator[str]:
    """Tell one recording's quality in plain lines, for ``trialkit ingest --explain``."""
    quality = recording_quality(recording, rules=plan.segments, values=values)
    yield f"integrity: {quality.integrity.value}" + (f" ({quality.fault})" if quality.fault else "")
    yield f"length: {quality.duration_s:.0f} s"
    for channel in quality.channels:
        yield _channel_line(channel)
        for reason, n in channel.removed:
            yield f"  removed {n}: {reason}"
        yield from (f"  {remark}" for remark in channel.remarks)
    for segment in quality.segments:
        edges = f"{segment.start_s:.1f} to {segment.end_s:.1f} s"
        yield f"segment {segment.name}: {edges} ({segment.origin})"
    yield from (f"segment {name}: not found; {why}" for name, why in quality.missing)
    for outcome, value in quality.values.items():
        yield from _value_lines(outcome, value)


def _channel(recording: Recording, channel: Channel) -> ChannelQuality:
    found = clean(channel)
    window = cut(found.channel, find_segment(recording, WHOLE))
    return ChannelQuality(
        name=channel.name,
        unit=channel.unit,
        source=channel.source,
        n_samples=int(channel.value.size),
        n_invalid=int(np.sum(np.isnan(channel.value))),
        spacing_s=window.spacing_s,
        coverage=window.coverage,
        longest_gap_s=window.longest_gap_s,
        removed=tuple((removal.reason, removal.n) for removal in found.removals),
        remarks=found.remarks,
    )


def _channel_line(channel: ChannelQuality) -> str:
    unit = f" ({channel.unit})" if channel.unit else ""
    return (
        f"channel {channel.name}{unit}: {channel.n_samples} samples every {channel.spacing_s:g} s, "
        f"{channel.n_invalid} invalid, {channel.n_removed} removed, "
        f"coverage {channel.coverage:.0%}, longest gap {channel.longest_gap_s:.1f} s"
    )


def _value_lines(outcome: str, value: MeasuredValue) -> Iterator[str]:
    recipe = value.recipe
    told = f"no value: {value.reason}" if value.value is None else f"{value.value:.6g} {value.unit}"
    error = "" if value.uncertainty is None else f", standard error {value.uncertainty:.2g}"
    window = "" if recipe.seconds is None else f" {recipe.seconds:g} s"
    yield (
        f"outcome {outcome}: {told}{error} ({recipe.statistic}{window} of {recipe.channel} in "
        f"{recipe.segment}; coverage {value.coverage:.0%}, {value.n_samples} samples)"
    )
    yield from (f"  {note}" for note in value.notes)
