"""Store recordings unchanged in the trial and compute the measures which the protocol declares."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.answers import Answer
from trialkit.app.documents import Document
from trialkit.app.folders import write_file
from trialkit.app.trials import Trial, entry_lines, open_trial, period_or_current
from trialkit.domain.outcomes import Outcome
from trialkit.domain.plans import Plan
from trialkit.domain.units import convert
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import Phase, RecordingStored

if TYPE_CHECKING:
    from trialkit.domain.measures import MeasuredValue
    from trialkit.domain.recordings import Recording


@dataclass(frozen=True, slots=True)
class IngestRequest:
    """Which files, and for which period; ``period`` None means the opened ones, in their order."""

    files: tuple[Path, ...]
    period: int | None = None
    phase: str = "trial"
    accept_damaged: bool = False
    explain: bool = False


@dataclass(frozen=True, eq=False)
class _Taken:
    """One file read for one period, with the values taken from it."""

    path: Path
    recording: Recording
    period: int
    values: dict[str, MeasuredValue]


def ingest(root: Path, request: IngestRequest, *, at: datetime, who: str) -> Answer:
    """Store recordings and enter what was measured; all files of a request, or none.

    Raises
    ------
    UnreadableError
        When a file cannot be read, or is damaged and that is not accepted.
    RequestError
        When it is not clear which period a file belongs to.
    JournalError
        When the period has a value already.
    """
    from trialkit.ingest.reading import accept, read_recording

    trial = open_trial(root)
    recordings = [
        accept(read_recording(path), damaged=request.accept_damaged) for path in request.files
    ]
    periods = _periods(trial, request, recordings)
    taken = [
        _Taken(path, recording, period, measure_outcomes(trial.plan, recording))
        for path, recording, period in zip(request.files, recordings, periods, strict=True)
    ]
    for item in taken:
        # Before the journal: an entry must never name a file that is not there.
        _store(trial, item)
    drafts = [draft for item in taken for draft in _drafts(item, trial.plan, request)]
    entries = trial.add(drafts, at=at, who=who)
    lines = [f"Entered in {trial.folder.journal}:", *(f"  {x}" for x in entry_lines(entries))]
    for item in taken:
        lines += _lines(item, trial.plan, request)
    return Answer("\n".join(lines), {"recordings": [_document(t, trial.plan) for t in taken]})


def measure_outcomes(plan: Plan, recording: Recording) -> dict[str, MeasuredValue]:
    """Take every outcome the protocol gives a recipe for, by the outcome's name."""
    from trialkit.ingest.measuring import measure
    from trialkit.ingest.segments import find_segments

    segments = find_segments(recording, plan.segments)
    return {
        o.name: measure(recording, o.measure, segments=segments)
        for o in plan.outcomes
        if o.measure is not None
    }


def stored_path(trial: Trial, stored: RecordingStored) -> Path:
    """Where the stored original of a recording lies."""
    return trial.folder.recordings / f"{stored.sha256}{Path(stored.name).suffix.lower()}"


def _periods(trial: Trial, request: IngestRequest, recordings: list[Recording]) -> list[int]:
    if request.phase != Phase.TRIAL:
        return _outside_trial(request)
    if request.period is not None or len(recordings) == 1:
        _refuse_unless(len(recordings) == 1, f"{len(recordings)} files for one period")
        return [period_or_current(trial, request.period)]
    waiting = sorted(trial.state.opened.keys() - trial.done)
    starts = [r.started_at for r in recordings]
    told = [s for s in starts if s is not None]
    _refuse_unless(
        len(waiting) == len(recordings) == len(told),
        f"{len(recordings)} files ({len(told)} with a start time) for {len(waiting)} open periods",
    )
    in_time_order = sorted(told)
    return [waiting[in_time_order.index(s)] for s in told]


def _outside_trial(request: IngestRequest) -> list[int]:
    known = request.phase in set(Phase)
    _refuse_unless(
        known and request.period is not None and len(request.files) == 1,
        f"{len(request.files)} files for phase {request.phase!r}, period {request.period}",
    )
    return [request.period or 0]


def _refuse_unless(clear: bool, found: str) -> None:
    if not clear:
        raise RequestError(
            Problem(
                where="--period",
                found=found,
                wrong="it is not clear which file belongs to which period.",
                fix="give one file at a time, with --period N.",
            )
        )


def _store(trial: Trial, item: _Taken) -> None:
    target = trial.folder.recordings / f"{item.recording.sha256}{item.path.suffix.lower()}"
    if not target.exists():
        write_file(target, item.path.read_bytes())


def _drafts(item: _Taken, plan: Plan, request: IngestRequest) -> Iterator[Draft]:
    recording = item.recording
    yield Draft(
        Kind.RECORDING_STORED,
        {
            "sha256": recording.sha256,
            "name": item.path.name,
            "format": recording.format,
            "integrity": str(recording.integrity),
            "accepted_damaged": recording.fault is not None and request.accept_damaged,
            "fault": recording.fault,
            "period": item.period,
            "phase": request.phase,
        },
    )
    for outcome in plan.outcomes:
        if outcome.name in item.values:
            yield _measured_draft(item, outcome, request.phase)


def _measured_draft(item: _Taken, outcome: Outcome, phase: str) -> Draft:
    value = item.values[outcome.name]
    recipe = value.recipe
    number = value.value
    settings = {
        "channel": recipe.channel,
        "segment": recipe.segment,
        "statistic": recipe.statistic,
        "seconds": recipe.seconds,
        "min_coverage": recipe.min_coverage,
        "max_gap_s": recipe.max_gap_s,
        "coverage": value.coverage,
        "samples": value.n_samples,
        **recipe.settings,
    }
    return Draft(
        Kind.MEASURED,
        {
            "period": item.period,
            "outcome": outcome.name,
            "unit": outcome.unit,
            "value": _in_unit(number, value.unit, outcome.unit),
            "reason": value.reason,
            "settings": {k: v for k, v in settings.items() if v is not None},
            "recording": item.recording.sha256,
            "phase": phase,
        },
    )


def _in_unit(number: float | None, unit: str, wanted: str) -> float | None:
    # A unit such as bpm/min is not in the house's list; it need not be where nothing is converted.
    return number if number is None or unit == wanted else convert(number, unit, wanted)


def _lines(item: _Taken, plan: Plan, request: IngestRequest) -> Iterator[str]:
    yield f"{item.path.name}: {item.recording.format}, period {item.period}"
    if item.recording.fault:
        yield f"  damaged, accepted: {item.recording.fault}"
    for note in item.recording.notes:
        yield f"  note: {note}"
    for outcome in plan.outcomes:
        if value := item.values.get(outcome.name):
            told = value.reason if value.value is None else f"{value.value:.5g} {value.unit}"
            yield f"  {outcome.label}: {told}"
    if request.explain:
        from trialkit.ingest.quality import explain_recording

        yield from (f"  {line}" for line in explain_recording(item.recording, item.values, plan))


def _document(item: _Taken, plan: Plan) -> Document:
    recording = item.recording
    return {
        "file": item.path.name,
        "period": item.period,
        "sha256": recording.sha256,
        "format": recording.format,
        "integrity": str(recording.integrity),
        "fault": recording.fault,
        "started_at": None if recording.started_at is None else recording.started_at.isoformat(),
        "channels": {name: c.unit for name, c in recording.channels.items()},
        "notes": list(recording.notes),
        "values": [
            {
                "outcome": o.name,
                "value": item.values[o.name].value,
                "unit": item.values[o.name].unit,
                "coverage": item.values[o.name].coverage,
                "reason": item.values[o.name].reason,
            }
            for o in plan.outcomes
            if o.name in item.values
        ],
    }
