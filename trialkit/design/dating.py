"""From the drawn order to dates: every session gets a day and a clock time that keep the rules.

A session keeps its drawn rest where the rules allow and otherwise the nearest day within the
range. Practice and baseline periods come first, one a session. Rests within a session are true
minutes, also on days when the clock changes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from math import floor
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from trialkit.design.calendar_rules import Past, Rules
from trialkit.design.calendar_search import find_days
from trialkit.design.visits import DAY_MIN, Visit, least_days, visits_of
from trialkit.domain.allocations import Allocation
from trialkit.domain.plans import Plan
from trialkit.domain.schedules import DatedPeriod, DatedSession, Schedule
from trialkit.errors import Problem, RequestError


def date_periods(plan: Plan, allocation: Allocation, *, start: date | None = None) -> Schedule:
    """Date all sessions of a drawn trial, practice and baseline first.

    Parameters
    ----------
    start
        First possible day; the plan's own start when left out.

    Raises
    ------
    RequestError
        When no start is known or the time zone does not exist.
    UnanswerableError
        When no dates keep all rules; each rule that stands in the way is named.
    """
    first = start or plan.calendar.start
    if first is None:
        raise RequestError(
            Problem(
                where="calendar.start",
                found="no first day",
                wrong="sessions are dated from a first day on.",
                fix="give a start, or write it into the protocol.",
            )
        )
    return _schedule(plan, visits_of(plan, allocation), Past(first))


def replan(
    plan: Plan,
    allocation: Allocation,
    *,
    held: Mapping[tuple[str, int], datetime],
    dropped: Collection[tuple[str, int]] = (),
    resume: date,
) -> Schedule:
    """Date what remains after missed or moved sessions; order and rules stay as they were.

    Parameters
    ----------
    held
        Aware start of each session that was held, by phase and number.
    dropped
        Sessions that will not be held any more.
    resume
        First day for the remaining ones. A gap the interruption made longer than the longest
        rest is kept and noted.

    Raises
    ------
    RequestError
        When a session is named that the trial does not have.
    UnanswerableError
        When no dates keep all rules; each rule that stands in the way is named.
    """
    visits = visits_of(plan, allocation)
    _require_known({visit.key for visit in visits}, {*held, *dropped})
    zone = _zone(plan)
    past, kept = Past(resume), []
    for visit in sorted((v for v in visits if v.key in held), key=lambda v: held[v.key]):
        day = held[visit.key].astimezone(zone).date()
        kept.append(_session(plan, visit, held[visit.key].astimezone(zone), past.last))
        past = past.then(day, visit.request)
    past = Past(max(resume, past.resume), past.last, past.in_week, past.weekdays)
    ahead = [v for v in visits if v.key not in held and v.key not in dropped]
    return _schedule(plan, ahead, past, kept=tuple(kept))


def _require_known(known: set[tuple[str, int]], named: set[tuple[str, int]]) -> None:
    unknown = sorted(named - known)
    if unknown:
        raise RequestError(
            Problem(
                where="session",
                found=", ".join(f"{phase} {number}" for phase, number in unknown),
                wrong="this trial has no such session.",
                fix="name sessions of its schedule.",
            )
        )


def _schedule(
    plan: Plan,
    visits: list[Visit],
    past: Past,
    *,
    kept: tuple[DatedSession, ...] = (),
) -> Schedule:
    zone = _zone(plan)
    days = find_days([visit.request for visit in visits], _rules(plan, zone), past)
    sessions, last = list(kept), past.last
    for visit, day in zip(visits, days, strict=True):
        # Of a time the clock shows twice, the first is meant (fold 0).
        starts = datetime.combine(day, visit.request.at, tzinfo=zone)
        sessions.append(_session(plan, visit, starts, last))
        last = day
    notes = [] if kept else list(_late_start(sessions, past.resume))
    notes += _notes(plan, sessions)
    return Schedule(tuple(sessions), plan.calendar.time_zone, tuple(notes))


def _session(plan: Plan, visit: Visit, starts: datetime, last: date | None) -> DatedSession:
    instant = starts.astimezone(UTC)
    periods = tuple(
        DatedPeriod(number, (instant + timedelta(minutes=offset)).astimezone(starts.tzinfo))
        for number, offset in zip(visit.numbers, visit.offsets, strict=True)
    )
    return DatedSession(
        phase=visit.phase,
        number=visit.number,
        starts=starts,
        minutes=plan.calendar.session_min,
        periods=periods,
        gap_days=(starts.date() - last).days if last else None,
        drawn_days=visit.drawn,
    )


def _late_start(sessions: list[DatedSession], asked: date) -> Iterator[str]:
    late = (sessions[0].starts.date() - asked).days if sessions else 0
    if late > 0:
        yield (
            f"the first session is {late} days after {asked}: no earlier start keeps all rules "
            "to the end."
        )


def _notes(plan: Plan, sessions: list[DatedSession]) -> Iterator[str]:
    longest = _longest(plan)
    for session in sessions:
        gap, drawn = session.gap_days, session.drawn_days
        name = f"{session.phase} session {session.number}"
        if longest is not None and gap is not None and gap > longest:
            yield f"{name}: {gap} days after the one before, longer than the {longest} planned."
        elif gap is not None and drawn is not None and gap != drawn:
            yield f"{name}: {gap} days after the one before instead of the {drawn} drawn."
        later = session.starts.replace(fold=1)
        if later.utcoffset() != session.starts.utcoffset():
            yield f"{name}: the clock shows {session.starts:%H:%M} twice; the first is meant."


def _zone(plan: Plan) -> ZoneInfo:
    try:
        return ZoneInfo(plan.calendar.time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        raise RequestError(
            Problem(
                where="calendar.time_zone",
                found=repr(plan.calendar.time_zone),
                wrong="is not a time zone of the IANA list.",
                fix="use a name such as Europe/Berlin or UTC.",
            )
        ) from None


def _rules(plan: Plan, zone: ZoneInfo) -> Rules:
    calendar, washout = plan.calendar, plan.rest.washout
    span = plan.rest.between_sessions
    shortest = max(least_days(span), least_days(washout), 1)
    return Rules(
        zone=zone,
        weekdays=frozenset(calendar.weekdays),
        blackout=calendar.blackout,
        per_week=calendar.sessions_per_week,
        shortest=shortest,
        longest=_longest(plan),
        same_weekday=plan.design.constraints.balance == "weekday",
    )


def _longest(plan: Plan) -> int | None:
    span = plan.rest.between_sessions
    if span is None:
        return None
    return span.high if span.unit == "day" else max(1, floor(span.high / DAY_MIN))
