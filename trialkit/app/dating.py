"""Date the sessions of a trial, first and again; write the calendar file and the session cards."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from trialkit.app.answers import Answer
from trialkit.app.folders import write_file
from trialkit.app.trials import Trial, open_trial
from trialkit.design.allocation import outline
from trialkit.design.dating import date_periods, replan
from trialkit.domain.allocations import Allocation, Period
from trialkit.domain.plans import Plan
from trialkit.domain.schedules import DatedSession, Schedule
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import Departure, PeriodOpened, Phase, SequenceSealed
from trialkit.journal.records import Schedule as ScheduleRecord


def planned_starts(
    plan: Plan, allocation: Allocation, *, phase: Phase = Phase.TRIAL
) -> dict[int, datetime]:
    """Start of every period of a phase under the plan's own calendar."""
    schedule = date_periods(plan, allocation)
    return {
        period.number: period.starts
        for session in schedule.sessions
        if session.phase == phase
        for period in session.periods
    }


def date_trial(root: Path, *, start: str, at: datetime, who: str) -> Answer:
    """Date all sessions, or, once some were held, those that remain.

    Raises
    ------
    RequestError
        When the day cannot be read or no first day is known.
    UnanswerableError
        When no dates keep all rules; each rule in the way is named.
    """
    trial = open_trial(root)
    schedule = _dated(trial, _day(start) if start else None, at)
    revision = 1 + len(trial.state.of(ScheduleRecord))
    trial.add([Draft(Kind.SCHEDULE, _payload(schedule, revision))], at=at, who=who)
    files = _write_files(trial, schedule, revision=revision, stamp=at)
    lines = [_line(s) for s in schedule.sessions]
    lines += [f"Note: {note}" for note in schedule.notes]
    lines += ["", *(f"Written: {path}" for path in files)]
    return Answer(
        "\n".join(lines),
        {
            "sessions": [_document(s) for s in schedule.sessions],
            "notes": list(schedule.notes),
            "files": [str(path) for path in files],
        },
    )


def _dated(trial: Trial, start: date | None, at: datetime) -> Schedule:
    bare = bare_allocation(trial)
    held = _held(trial)
    if not held:
        return date_periods(trial.plan, bare, start=start)
    missed = trial.state.periods_with(Departure.MISSED)
    sessions: dict[int, set[int]] = {}
    for period in bare.periods:
        sessions.setdefault(period.session, set()).add(period.number)
    dropped = [(str(Phase.TRIAL), n) for n, numbers in sessions.items() if numbers <= missed]
    practice = [
        (phase, number)
        for phase, count in (
            (Phase.FAMILIARISATION, trial.plan.design.familiarisation),
            (Phase.BASELINE, trial.plan.design.baseline),
        )
        for number in range(1, count + 1)
    ]
    # Practice comes first: once the trial's own sessions run, what is left of it is dropped.
    dropped += [(str(phase), number) for phase, number in practice]
    resume = start or at.astimezone(ZoneInfo(trial.plan.calendar.time_zone)).date()
    return replan(trial.plan, bare, held=held, dropped=dropped, resume=resume)


def bare_allocation(trial: Trial) -> Allocation:
    """The periods with their drawn rests and without conditions; nothing is unsealed."""
    sealed = trial.state.of(SequenceSealed)[-1].record
    periods = outline(trial.plan, sealed.rests)
    return Allocation(scheme=sealed.scheme, seed=0, method="sealed", periods=periods)


def _held(trial: Trial) -> dict[tuple[str, int], datetime]:
    """When each session of the trial began: when the first of its periods was opened."""
    held: dict[tuple[str, int], datetime] = {}
    for told in trial.state.of(PeriodOpened):
        held.setdefault((str(Phase.TRIAL), told.record.session), told.at)
    return held


def _write_files(
    trial: Trial, schedule: Schedule, *, revision: int, stamp: datetime
) -> tuple[Path, Path]:
    from trialkit.report.calendar_file import CalendarEntry, calendar_bytes
    from trialkit.report.card_sheet import DatedCard, PracticeCard, render_cards

    entries = [
        CalendarEntry(
            key=f"{s.phase}-{s.number}",
            start=s.starts,
            minutes=s.minutes,
            summary=f"{s.phase.capitalize()} session {s.number}",
            description="Open the condition with `trialkit next` when the session starts."
            if s.phase == Phase.TRIAL
            else "Practice under the reference condition; never analysed.",
        )
        for s in schedule.sessions
    ]
    calendar = trial.folder.root / "calendar.ics"
    data = calendar_bytes(
        entries,
        trial_id=trial.state.trial_id,
        title=trial.plan.title,
        revision=revision,
        stamp=stamp,
    )
    write_file(calendar, data)
    cards = trial.folder.root / "session-cards.html"
    dated = [
        DatedCard(_known(trial, period), starts)
        for period, starts in _periods_with_starts(trial, schedule)
    ]
    practice = [
        PracticeCard(str(session.phase), period.number, period.starts)
        for session in schedule.sessions
        if session.phase != Phase.TRIAL
        for period in session.periods
    ]
    write_file(cards, render_cards(trial.plan, dated, practice).encode())
    return calendar, cards


def _periods_with_starts(trial: Trial, schedule: Schedule) -> list[tuple[Period, datetime]]:
    periods = {p.number: p for p in bare_allocation(trial).periods}
    return [
        (periods[dated.number], dated.starts)
        for session in schedule.sessions
        if session.phase == Phase.TRIAL
        for dated in session.periods
    ]


def _known(trial: Trial, period: Period) -> Period:
    """Name the condition of a period only when it was opened."""
    opened = trial.state.opened.get(period.number)
    return replace(period, condition=(opened.condition or "") if opened else "")


def _payload(schedule: Schedule, revision: int) -> dict[str, Any]:
    return {
        "revision": revision,
        "sessions": [
            {
                "phase": s.phase,
                "session": s.number,
                "starts": s.starts.isoformat(),
                "time_zone": schedule.time_zone,
                "periods": [
                    {"number": p.number, "starts": p.starts.isoformat()} for p in s.periods
                ],
            }
            for s in schedule.sessions
        ],
    }


def _document(session: DatedSession) -> dict[str, Any]:
    return {
        "phase": session.phase,
        "session": session.number,
        "starts": session.starts.isoformat(),
        "periods": [p.number for p in session.periods],
    }


def _line(session: DatedSession) -> str:
    numbers = ", ".join(str(p.number) for p in session.periods)
    what = f"period {numbers}" if len(session.periods) == 1 else f"periods {numbers}"
    when = session.starts.strftime("%a %d %b %Y %H:%M")
    return f"{when}  {session.phase} session {session.number} ({what})"


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise RequestError(
            Problem(
                where="--start",
                found=repr(text),
                wrong="it is not a day.",
                fix="write it as year-month-day, such as 2026-03-02.",
            )
        ) from None
