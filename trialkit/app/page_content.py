"""Fill a report's content from a trial and its analysis."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from trialkit.app.curves import condition_curves
from trialkit.app.looks import opening_notes
from trialkit.app.outcome_table import period_starts
from trialkit.app.page_log import amendments, blinding, deviations, harms, seal_facts
from trialkit.app.page_quality import quality_rows
from trialkit.app.recordings import stored_recordings
from trialkit.app.replaying import with_null
from trialkit.app.trials import Trial
from trialkit.app.versions import versions
from trialkit.domain.outcomes import Role
from trialkit.journal import Entry
from trialkit.journal.records import Covariate, Departure, Deviation, PeriodOpened, Phase
from trialkit.report.content import Kind, OutcomeResult, PageContent, PeriodRow, Status


def page_content(
    trial: Trial, answers: tuple[OutcomeResult, ...], *, entries: tuple[Entry, ...], head: str
) -> PageContent:
    """Gather everything one report tells.

    The page is dated by the last entry, so that it can be rebuilt byte for byte.
    """
    recordings = stored_recordings(trial)
    return PageContent(
        plan=trial.plan,
        estimates=tuple(
            with_null(trial, a) if a.outcome.role is Role.PRIMARY else a for a in answers
        ),
        periods=(*_before_the_trial(trial), *_trial_periods(trial)),
        generated_at=entries[-1].at.strftime("%Y-%m-%d %H:%M %z"),
        curves=condition_curves(trial, recordings),
        deviations=deviations(trial, entries),
        amendments=tuple(amendments(trial)),
        harms=harms(trial),
        blinding=blinding(trial),
        limits=tuple(opening_notes(trial)),
        quality=tuple(quality_rows(trial, recordings)),
        seal=seal_facts(trial, head),
        versions=versions(),
    )


def _trial_periods(trial: Trial) -> Iterator[PeriodRow]:
    starts, held = period_starts(trial), _held_at(trial)
    delivered = trial.delivered()
    notes = {t.record.period: t.record.reason for t in trial.state.of(Deviation)}
    for number in range(1, trial.state.planned + 1):
        opened = trial.state.opened.get(number)
        design = trial.plan.design
        yield PeriodRow(
            number=number,
            block=opened.block if opened else 1 + (number - 1) // design.block_size,
            session=opened.session if opened else 1 + (number - 1) // design.periods_per_session,
            planned_condition=(opened.condition or "") if opened else "",
            delivered_condition=delivered.get(number),
            planned_start=starts.get(number),
            actual_start=held.get(number),
            status=_status(trial, number),
            values=_values(trial, Phase.TRIAL, number),
            note=notes.get(number, ""),
            rest=opened.rest if opened else None,
            rest_unit=(opened.rest_unit or "") if opened else "",
            since_h=_since(held, number),
            covariates=_covariates(trial, Phase.TRIAL, number),
        )


def _before_the_trial(trial: Trial) -> Iterator[PeriodRow]:
    """Yield familiarisation and baseline periods of which something was entered."""
    noted = {(t.record.phase, t.record.period) for t in trial.state.of(Covariate)}
    entered = noted | {(phase, number) for phase, number, _ in trial.state.values}
    for phase in (Phase.FAMILIARISATION, Phase.BASELINE):
        for number in sorted(n for p, n in entered if p is phase):
            yield PeriodRow(
                number=number,
                block=0,
                session=0,
                planned_condition="",
                delivered_condition=None,
                values=_values(trial, phase, number),
                kind=Kind(str(phase)),
                covariates=_covariates(trial, phase, number),
            )


def _values(trial: Trial, phase: Phase, number: int) -> dict[str, float | None]:
    return {
        name: told.record.value
        for (its_phase, period, name), told in trial.state.values.items()
        if its_phase is phase and period == number
    }


def _covariates(trial: Trial, phase: Phase, number: int) -> dict[str, float | str]:
    found = [t.record for t in trial.state.of(Covariate)]
    return {
        f"{c.name} ({c.unit})" if c.unit else c.name: c.value
        for c in found
        if c.phase is phase and c.period == number
    }


def _held_at(trial: Trial) -> dict[int, datetime]:
    """When each period was opened, which is when it began."""
    return {t.record.period: t.at for t in trial.state.of(PeriodOpened)}


def _since(held: dict[int, datetime], number: int) -> float | None:
    """Hours since the last period that began before this one."""
    start = held.get(number)
    before = [moment for moment in held.values() if start is not None and moment < start]
    return (start - max(before)).total_seconds() / 3600 if start and before else None


def _status(trial: Trial, number: int) -> Status:
    if number in trial.state.periods_with(Departure.MISSED):
        return Status.MISSED
    primary = trial.plan.primary
    aborted = trial.state.periods_with(Departure.ABORTED)
    if number in aborted or (primary and number in trial.state.excluded(primary.name)):
        return Status.EXCLUDED
    return Status.DONE if number in trial.done else Status.PLANNED
