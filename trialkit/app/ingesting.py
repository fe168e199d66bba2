"""Store recordings unchanged in the trial and compute the measures which the protocol declares."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.answers import Answer
from trialkit.app.documents import Document
from trialkit.app.entry_words import entry_lines
from trialkit.app.folders import write_file
from trialkit.app.read_settings import parse_settings, read_options
from trialkit.app.recordings import join
from trialkit.app.trials import Trial, departs_warning, open_trial, period_or_current
from trialkit.domain.outcomes import Outcome
from trialkit.domain.plans import Plan
from trialkit.domain.units import convert
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import Phase

if TYPE_CHECKING:
    from trialkit.domain.measures import MeasuredValue
    from trialkit.domain.recordings import Recording
    from trialkit.ingest.alignment import Alignment


@dataclass(frozen=True, slots=True)
class IngestRequest:
    """Which files, for which period, and how to read them.

    ``period`` None means the opened ones, in their order. ``align`` joins all files into one
    recording of one period. ``read`` holds what the person says about the files.
    """

    files: tuple[Path, ...]
    period: int | None = None
    phase: str = "trial"
    accept_damaged: bool = False
    explain: bool = False
    align: str = ""
    read: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _File:
    """One file as it was read; ``alignment`` puts it on the clock of the period's first."""

    path: Path
    recording: Recording
    alignment: Alignment | None = None


@dataclass(frozen=True, eq=False)
class _Taken:
    """What was read for one period, and the values taken from it."""

    files: tuple[_File, ...]
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
    UnanswerableError
        When several files cannot be put on one clock.
    JournalError
        When the period has a value already.
    """
    trial = open_trial(root)
    settings = parse_settings(request.read)
    taken = _taken(trial, request, settings)
    for item in taken:
        # Before the journal: an entry must never name a file that is not there.
        _store(trial, item)
    drafts = [d for item in taken for d in _drafts(item, trial.plan, request, settings)]
    entries = trial.add(drafts, at=at, who=who)
    lines = [f"Entered in {trial.folder.journal}:", *(f"  {x}" for x in entry_lines(entries))]
    lines += [f"  note: {text}" for text in departs_warning(trial)]
    for item in taken:
        lines += _lines(item, trial.plan, request)
    documents = [_document(f, item, trial.plan) for item in taken for f in item.files]
    return Answer("\n".join(lines), {"recordings": documents})


def _taken(trial: Trial, request: IngestRequest, settings: dict[str, str]) -> list[_Taken]:
    from trialkit.ingest.reading import accept, read_recording

    options = read_options(settings, time_zone=trial.plan.calendar.time_zone)
    recordings = [
        accept(read_recording(path, options=options), damaged=request.accept_damaged)
        for path in request.files
    ]
    if request.align:
        whole, alignments = join(recordings, request.align)
        files = tuple(map(_File, request.files, recordings, [None, *alignments]))
        period = _periods(trial, request, [whole])[0]
        return [_Taken(files, whole, period, measure_outcomes(trial.plan, whole))]
    periods = _periods(trial, request, recordings)
    return [
        _Taken((_File(path, r),), r, period, measure_outcomes(trial.plan, r))
        for path, r, period in zip(request.files, recordings, periods, strict=True)
    ]


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
        known and request.period is not None and (len(request.files) == 1 or bool(request.align)),
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
                fix="give one file at a time with --period N, or join files of several devices "
                "with --align.",
            )
        )


def _store(trial: Trial, item: _Taken) -> None:
    for file in item.files:
        name = f"{file.recording.sha256}{file.path.suffix.lower()}"
        target = trial.folder.recordings / name
        if not target.exists():
            write_file(target, file.path.read_bytes())


def _drafts(
    item: _Taken, plan: Plan, request: IngestRequest, settings: dict[str, str]
) -> Iterator[Draft]:
    for file in item.files:
        recording, alignment = file.recording, file.alignment
        yield Draft(
            Kind.RECORDING_STORED,
            {
                "sha256": recording.sha256,
                "name": file.path.name,
                "format": recording.format,
                "integrity": str(recording.integrity),
                "accepted_damaged": recording.fault is not None and request.accept_damaged,
                "fault": recording.fault,
                "started_at": recording.started_at.isoformat() if recording.started_at else None,
                "period": item.period,
                "phase": request.phase,
                "read_as": settings,
                "lag_s": None if alignment is None else alignment.lag_s,
                "aligned_by": None if alignment is None else request.align,
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
            "recording": item.files[0].recording.sha256,
            "phase": phase,
        },
    )


def _in_unit(number: float | None, unit: str, wanted: str) -> float | None:
    # A unit such as bpm/min is not in the house's list; it need not be where nothing is converted.
    return number if number is None or unit == wanted else convert(number, unit, wanted)


def _lines(item: _Taken, plan: Plan, request: IngestRequest) -> Iterator[str]:
    for file in item.files:
        yield f"{file.path.name}: {file.recording.format}, period {item.period}"
        if file.recording.fault:
            yield f"  damaged, accepted: {file.recording.fault}"
        if file.alignment is not None:
            yield from _alignment_lines(file.alignment)
        for note in file.recording.notes:
            yield f"  note: {note}"
    for outcome in plan.outcomes:
        if value := item.values.get(outcome.name):
            told = value.reason if value.value is None else f"{value.value:.5g} {value.unit}"
            yield f"  {outcome.label}: {told}"
    if request.explain:
        from trialkit.ingest.quality import explain_recording

        yield from (f"  {line}" for line in explain_recording(item.recording, item.values, plan))


def _alignment_lines(found: Alignment) -> Iterator[str]:
    told = "" if found.correlation is None else f", correlation {found.correlation:.2f}"
    yield (
        f"  put on the first file's clock by {found.method}: {found.lag_s:+.2f} s "
        f"(standard error {found.uncertainty_s:.2f} s{told})"
    )
    yield from (f"  note: {note}" for note in found.notes)


def _document(file: _File, item: _Taken, plan: Plan) -> Document:
    recording, alignment = file.recording, file.alignment
    started = recording.started_at
    return {
        "file": file.path.name,
        "period": item.period,
        "sha256": recording.sha256,
        "format": recording.format,
        "integrity": str(recording.integrity),
        "fault": recording.fault,
        "started_at": None if started is None else started.isoformat(),
        "channels": {name: c.unit for name, c in recording.channels.items()},
        "notes": list(recording.notes),
        "alignment": None if alignment is None else asdict(alignment),
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
