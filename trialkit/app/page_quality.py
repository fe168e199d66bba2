"""What a careful reader wants to know of every recording and of every measured value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from trialkit.app.trials import Trial
from trialkit.domain.quality import ChannelQuality, RecordingQuality
from trialkit.domain.recordings import Recording
from trialkit.journal.records import Measured, Phase, RecordingStored
from trialkit.report.content import QualityRow


def quality_rows(trial: Trial, recordings: Mapping[int, Recording]) -> Iterator[QualityRow]:
    """Yield one row per stored recording and one per value measured from one.

    Parameters
    ----------
    recordings
        What could be read of the recordings of trial periods, by period.
    """
    from trialkit.ingest.quality import recording_quality

    pages = {
        (Phase.TRIAL, period): recording_quality(r, rules=trial.plan.segments)
        for period, r in recordings.items()
    }
    for told in trial.state.of(RecordingStored):
        place = (told.record.phase, told.record.period or 0)
        yield _of_recording(told.record, pages.get(place))
    for measured in trial.state.of(Measured):
        place = (measured.record.phase, measured.record.period)
        yield _of_value(trial, measured.record, pages.get(place))


def _of_recording(stored: RecordingStored, page: RecordingQuality | None) -> QualityRow:
    parts, ok = [f"{stored.format}, read whole"], stored.fault is None
    if stored.fault is not None:
        parts = [f"{stored.format}, damaged and accepted: {stored.fault}"]
    if page is None and stored.phase is Phase.TRIAL:
        return QualityRow(stored.name, "cannot be read any more", ok=False, period=stored.period)
    if page is not None:
        parts.append(f"{page.duration_s:.0f} s")
        parts += [f"segment {name} not found: {why}" for name, why in page.missing]
        parts += page.notes
        ok = ok and not page.missing
    return QualityRow(stored.name, "; ".join(parts), ok=ok, period=stored.period)


def _of_value(trial: Trial, record: Measured, page: RecordingQuality | None) -> QualityRow:
    labels = {o.name: o.label for o in trial.plan.outcomes}
    item = labels.get(record.outcome, record.outcome)
    if record.phase is not Phase.TRIAL:
        item += f" ({record.phase})"
    if record.reason is not None:
        return QualityRow(item, f"no value: {record.reason}", ok=False, period=record.period)
    covered = record.settings.get("coverage")
    if not isinstance(covered, float):
        return QualityRow(item, "entered by hand in place of the measured one", ok=False,
                          period=record.period)  # fmt: skip
    parts = [f"{covered:.0%} of the segment covered"]
    channels = () if page is None else page.channels
    used = next((c for c in channels if c.name == record.settings.get("channel")), None)
    if used is not None:
        parts += _of_channel(used)
    ok = used is None or not used.remarks
    return QualityRow(item, "; ".join(parts), ok=ok, period=record.period)


def _of_channel(channel: ChannelQuality) -> Iterator[str]:
    lost = channel.n_invalid + channel.n_removed
    yield f"{lost} of {channel.n_samples} samples invalid or removed"
    yield from (f"{n} removed: {reason}" for reason, n in channel.removed)
    yield f"longest gap {channel.longest_gap_s:.0f} s"
    yield from channel.remarks
