"""Recordings of a trial: joined on one clock when new, read again when stored."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.read_settings import read_options
from trialkit.app.trials import Trial
from trialkit.errors import Problem, RequestError, TrialkitError
from trialkit.journal.records import Phase, RecordingStored

if TYPE_CHECKING:
    from trialkit.domain.recordings import Recording
    from trialkit.ingest.alignment import Alignment

WAYS = "stamps, mark:NAME or signal:CHANNEL"


def stored_path(trial: Trial, stored: RecordingStored) -> Path:
    """Where the stored original of a recording lies."""
    return trial.folder.recordings / f"{stored.sha256}{Path(stored.name).suffix.lower()}"


def align(first: Recording, second: Recording, way: str) -> Alignment:
    """Find where the second recording lies on the clock of the first, in the way asked for.

    Raises
    ------
    RequestError
        When there is no such way.
    UnanswerableError
        When the recordings do not allow it.
    """
    from trialkit.ingest.alignment import align_by_mark, align_by_signal, align_by_stamps

    kind, _, name = way.partition(":")
    if way == "stamps":
        return align_by_stamps(first, second)
    if kind == "mark" and name:
        return align_by_mark(first, second, name)
    if kind == "signal" and name:
        return align_by_signal(first, second, name)
    raise RequestError(
        Problem(
            where="--align",
            found=repr(way),
            wrong="there is no such way to put recordings on one clock.",
            fix=f"use {WAYS}.",
        )
    )


def join(recordings: Sequence[Recording], way: str) -> tuple[Recording, list[Alignment]]:
    """Put several recordings of one period on the clock of the first."""
    from trialkit.ingest.alignment import merged

    whole, alignments = recordings[0], []
    for other in recordings[1:]:
        alignment = align(recordings[0], other, way)
        whole = merged(whole, other, alignment)
        alignments.append(alignment)
    return whole, alignments


def stored_recordings(trial: Trial) -> dict[int, Recording]:
    """Read the stored recordings of trial periods again, those of one period on one clock.

    Files that cannot be read any more are left out here; ``verify`` tells of them.
    """
    from trialkit.ingest.alignment import Alignment, merged
    from trialkit.ingest.reading import read_recording

    found: dict[int, Recording] = {}
    for told in trial.state.of(RecordingStored):
        stored = told.record
        if stored.phase is not Phase.TRIAL or stored.period is None:
            continue
        try:
            options = read_options(stored.read_as, time_zone=trial.plan.calendar.time_zone)
            recording = read_recording(stored_path(trial, stored), options=options)
        except TrialkitError:
            continue
        if stored.period in found:
            alignment = Alignment(stored.aligned_by or "", stored.lag_s or 0.0, 0.0)
            recording = merged(found[stored.period], recording, alignment)
        found[stored.period] = recording
    return found
