"""Fill a report's content from a trial and its analysis."""

from __future__ import annotations

import platform
from collections.abc import Iterator
from datetime import datetime
from importlib.metadata import version

from trialkit.app.curves import condition_curves
from trialkit.app.outcome_table import period_starts
from trialkit.app.trials import Trial
from trialkit.journal.records import (
    Departure,
    Deviation,
    Expectation,
    Guess,
    Measured,
    Note,
    PeriodOpened,
    Phase,
    ProtocolAmended,
    ProtocolFrozen,
    RecordingStored,
    SequenceSealed,
)
from trialkit.journal.records import Harm as HarmRecord
from trialkit.report.content import (
    Amendment,
    BlindingRecord,
    Harm,
    Kind,
    LogEntry,
    OutcomeResult,
    PageContent,
    PeriodRow,
    QualityRow,
    SealFacts,
    Status,
)

_LIBRARIES = ("trialkit", "numpy", "scipy", "statsmodels", "pandas", "matplotlib", "pingouin")


def page_content(
    trial: Trial, answers: tuple[OutcomeResult, ...], *, at: datetime, head: str
) -> PageContent:
    """Gather everything one report tells."""
    return PageContent(
        plan=trial.plan,
        estimates=answers,
        periods=(*_before_the_trial(trial), *_trial_periods(trial)),
        generated_at=at.strftime("%Y-%m-%d %H:%M %z"),
        curves=condition_curves(trial),
        deviations=tuple(sorted(_deviations(trial), key=lambda e: e.when)),
        amendments=tuple(_amendments(trial)),
        harms=_harms(trial),
        blinding=_blinding(trial),
        quality=tuple(_quality(trial)),
        seal=_seal(trial, head),
        versions={"Python": platform.python_version()} | {n: version(n) for n in _LIBRARIES},
    )


def _trial_periods(trial: Trial) -> Iterator[PeriodRow]:
    starts, held = period_starts(trial), _held_at(trial)
    delivered = trial.delivered()
    notes = {t.record.period: t.record.reason for t in trial.state.of(Deviation)}
    for number in range(1, trial.state.planned + 1):
        opened = trial.state.opened.get(number)
        yield PeriodRow(
            number=number,
            block=opened.block if opened else 1 + (number - 1) // trial.plan.design.block_size,
            session=opened.session
            if opened
            else 1 + (number - 1) // trial.plan.design.periods_per_session,
            planned_condition=(opened.condition or "") if opened else "",
            delivered_condition=delivered.get(number),
            planned_start=starts.get(number),
            actual_start=held.get(number),
            status=_status(trial, number),
            values=_values(trial, Phase.TRIAL, number),
            note=notes.get(number, ""),
        )


def _before_the_trial(trial: Trial) -> Iterator[PeriodRow]:
    """Yield familiarisation and baseline periods that were entered."""
    for phase in (Phase.FAMILIARISATION, Phase.BASELINE):
        for number in sorted({n for p, n, _ in trial.state.values if p is phase}):
            yield PeriodRow(
                number=number,
                block=0,
                session=0,
                planned_condition=trial.plan.reference.name,
                delivered_condition=trial.plan.reference.name,
                values=_values(trial, phase, number),
                kind=Kind(str(phase)),
            )


def _values(trial: Trial, phase: Phase, number: int) -> dict[str, float | None]:
    return {
        name: told.record.value
        for (its_phase, period, name), told in trial.state.values.items()
        if its_phase is phase and period == number
    }


def _held_at(trial: Trial) -> dict[int, datetime]:
    """When each period was opened, which is when it began."""
    return {t.record.period: t.at for t in trial.state.of(PeriodOpened)}


def _status(trial: Trial, number: int) -> Status:
    if number in trial.state.periods_with(Departure.MISSED):
        return Status.MISSED
    primary = trial.plan.primary
    aborted = trial.state.periods_with(Departure.ABORTED)
    if number in aborted or (primary and number in trial.state.excluded(primary.name)):
        return Status.EXCLUDED
    return Status.DONE if number in trial.done else Status.PLANNED


def _when(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M")


def _deviations(trial: Trial) -> Iterator[LogEntry]:
    for told in trial.state.of(Deviation):
        text = f"{told.record.what}: {told.record.reason}"
        yield LogEntry(_when(told.at), text, told.record.period, told.who)
    for (_, period, name), value in trial.state.values.items():
        if value.corrected:
            late = " (after the data were opened)" if value.late else ""
            text = f"{name} corrected{late}: {'; '.join(value.reasons)}"
            yield LogEntry(_when(value.at), text, period, value.who)
    for outcome in trial.plan.outcomes[:1]:
        for period, left_out in trial.state.excluded(outcome.name).items():
            late = "excluded late" if left_out.record.late else "excluded"
            yield LogEntry(
                _when(left_out.at), f"{late}: {left_out.record.reason}", period, left_out.who
            )
    for note in trial.state.of(Note):
        yield LogEntry(_when(note.at), note.record.text, note.record.period, note.who)


def _amendments(trial: Trial) -> Iterator[Amendment]:
    for told in trial.state.of(ProtocolAmended):
        for text in told.record.differences:
            field, _, change = text.partition(": ")
            before, _, after = change.partition(" → ")
            yield Amendment(_when(told.at), field, before, after, told.record.reason)


def _harms(trial: Trial) -> tuple[Harm, ...] | None:
    """Give harms by condition; None when nobody entered any, so nobody may have asked."""
    found = trial.state.of(HarmRecord)
    if not found:
        return None
    delivered = trial.delivered()
    return tuple(
        Harm(
            period=t.record.period,
            condition=delivered.get(t.record.period or 0),
            text=t.record.what,
            severity=str(t.record.grade),
        )
        for t in found
        if t.record.what.strip().lower() != "none"
    )


def _blinding(trial: Trial) -> BlindingRecord | None:
    guesses = [t.record for t in trial.state.of(Guess)]
    expected = [t.record for t in trial.state.of(Expectation)]
    if not guesses and not expected:
        return None
    delivered = trial.delivered()
    told = [g for g in guesses if g.condition is not None]
    labels = {c.name: c.label for c in trial.plan.conditions}
    wishes = [f"{e.person}: {labels.get(e.expects or '', 'no difference')}" for e in expected]
    return BlindingRecord(
        who=", ".join(sorted({g.person for g in guesses})) or "nobody",
        guesses=len(told),
        correct=sum(g.condition == delivered.get(g.period) for g in told),
        chance_correct=1 / len(trial.plan.conditions),
        expectation="; ".join(dict.fromkeys(wishes)),
    )


def _quality(trial: Trial) -> Iterator[QualityRow]:
    names = {t.record.sha256: t.record.name for t in trial.state.of(RecordingStored)}
    for told in trial.state.of(RecordingStored):
        fault = told.record.fault
        yield QualityRow(
            item=told.record.name,
            finding=f"{told.record.format}, read whole"
            if fault is None
            else f"{told.record.format}, damaged and accepted: {fault}",
            ok=fault is None,
            period=told.record.period,
        )
    for measured in trial.state.of(Measured):
        record = measured.record
        covered = record.settings.get("coverage")
        told_by = f"{covered:.0%} covered" if isinstance(covered, float) else "corrected by hand"
        yield QualityRow(
            item=f"{record.outcome} from {names.get(record.recording or '', 'a recording')}",
            finding=record.reason or told_by,
            ok=record.reason is None,
            period=record.period,
        )


def _seal(trial: Trial, head: str) -> SealFacts | None:
    seals, frozen = trial.state.of(SequenceSealed), trial.state.of(ProtocolFrozen)
    if not seals or not frozen:
        return None
    return SealFacts(
        protocol_sha256=frozen[0].record.sha256,
        commitment=seals[-1].record.commitment,
        frozen_at=_when(frozen[0].at),
        journal_head=head,
    )
