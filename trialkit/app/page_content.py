"""Fill a report's content from a trial and its analysis."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from trialkit.app.curves import condition_curves
from trialkit.app.dating import bare_allocation
from trialkit.app.looks import opening_notes
from trialkit.app.outcome_table import held_starts, planned_starts
from trialkit.app.page_cuts import cut_channels
from trialkit.app.page_log import amendments, blinding, deviations, harms, seal_facts
from trialkit.app.page_quality import quality_rows
from trialkit.app.recordings import stored_recordings
from trialkit.app.replaying import with_null
from trialkit.app.results import HELD_AT
from trialkit.app.trials import Trial
from trialkit.app.unsealing import drawn_order
from trialkit.app.versions import versions
from trialkit.domain.allocations import Allocation
from trialkit.domain.outcomes import Role
from trialkit.journal import Entry
from trialkit.journal.records import Covariate, Departure, Deviation, Exclusion, Phase
from trialkit.report.content import Kind, OutcomeResult, PageContent, PeriodRow, Status
from trialkit.report.words.pictures import lower_first


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
        periods=period_rows(trial),
        generated_at=entries[-1].at.strftime("%Y-%m-%d %H:%M %z"),
        curves=condition_curves(trial, recordings),
        deviations=deviations(trial, entries),
        amendments=tuple(amendments(trial)),
        harms=harms(trial),
        blinding=blinding(trial),
        limits=tuple(opening_notes(trial)),
        quality=tuple(quality_rows(trial, recordings)),
        cuts=cut_channels(trial, recordings),
        seal=seal_facts(trial, head),
        versions=versions(),
    )


def period_rows(trial: Trial) -> tuple[PeriodRow, ...]:
    """Give every period in time order: what was planned, held and measured."""
    return (*_before_the_trial(trial), *_trial_periods(trial))


def _trial_periods(trial: Trial) -> Iterator[PeriodRow]:
    starts, held = planned_starts(trial), held_starts(trial)
    delivered = trial.delivered()
    notes = _notes(trial)
    order = drawn_order(trial)
    # Missed periods were never opened: their condition is known once the whole order may be.
    drawn = {p.number: p for p in order.periods} if isinstance(order, Allocation) else {}
    for bare in bare_allocation(trial).periods:
        number = bare.number
        opened = trial.state.opened.get(number) or drawn.get(number)
        yield PeriodRow(
            number=number,
            block=bare.block,
            session=bare.session,
            planned_condition=(opened.condition or "") if opened else "",
            delivered_condition=delivered.get(number),
            planned_start=starts.get(number),
            actual_start=held.get(number),
            status=_status(trial, number),
            values=_values(trial, Phase.TRIAL, number),
            note=notes.get(number, ""),
            rest=bare.rest,
            rest_unit=bare.rest_unit or "",
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


def _notes(trial: Trial) -> dict[int, str]:
    """What departed from the plan in each period, and what was excluded, with the reasons."""
    said: dict[int, list[str]] = {}
    for told in trial.state.of(Deviation):
        day = f" to {told.record.moved_to}" if told.record.moved_to else ""
        said.setdefault(told.record.period, []).append(
            f"{told.record.what}{day}: {told.record.reason}"
        )
    labels = {o.name: o.label for o in trial.plan.outcomes}
    for out in trial.state.of(Exclusion):
        record = out.record
        which = f" ({lower_first(labels[record.outcome])})" if record.outcome else ""
        late = " late" if record.late else ""
        said.setdefault(record.period, []).append(f"excluded{late}{which}: {record.reason}")
    return {number: "; ".join(texts) for number, texts in said.items()}


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
        if c.phase is phase and c.period == number and c.name != HELD_AT
    }


def _since(held: dict[int, datetime], number: int) -> float | None:
    """Hours since the last period that began before this one."""
    start = held.get(number)
    before = [moment for moment in held.values() if start is not None and moment < start]
    return (start - max(before)).total_seconds() / 3600 if start and before else None


def _status(trial: Trial, number: int) -> Status:
    primary = trial.plan.primary
    valued = {n for phase, n, _ in trial.state.values if phase is Phase.TRIAL}
    # A value beside "missed" means that the period was made up later.
    if number in trial.state.periods_with(Departure.MISSED) - valued:
        return Status.MISSED
    if number in trial.state.periods_with(Departure.ABORTED):
        return Status.ABORTED
    if primary and number in trial.state.excluded(primary.name):
        return Status.EXCLUDED
    return Status.DONE if number in trial.done else Status.PLANNED
