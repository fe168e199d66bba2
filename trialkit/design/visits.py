"""The sessions of a trial before they have dates: what each holds, and at what clock time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from itertools import groupby
from math import ceil
from typing import Final

from trialkit.design.calendar_rules import Request
from trialkit.design.slots import sessions_in_a_week
from trialkit.domain.allocations import Allocation, Period
from trialkit.domain.plans import Plan, Span
from trialkit.errors import Problem, UnanswerableError

FAMILIARISATION: Final = "familiarisation"
BASELINE: Final = "baseline"
TRIAL: Final = "trial"
DAY_MIN: Final = 1440
# A plan without a time window is dated at this time; the plan check asks for a window.
_USUAL_START: Final = time(9)


@dataclass(frozen=True)
class Visit:
    """A session before it has a date: ``offsets`` are the starts of its periods in minutes."""

    phase: str
    number: int
    numbers: tuple[int, ...]
    offsets: tuple[float, ...]
    request: Request
    drawn: int | None

    @property
    def key(self) -> tuple[str, int]:
        """Phase and number, which a new date leaves alone."""
        return self.phase, self.number


def visits_of(plan: Plan, allocation: Allocation) -> list[Visit]:
    """All sessions in order: practice and baseline, one period each, then the trial's own.

    Raises
    ------
    UnanswerableError
        When a session does not hold its periods, or the daily window does not hold a session.
    """
    _require_room(plan, allocation)
    shortest = max(least_days(plan.rest.between_sessions), 1)
    request = Request(shortest, _start_time(plan, 1))
    before = ((FAMILIARISATION, plan.design.familiarisation), (BASELINE, plan.design.baseline))
    visits = [
        Visit(phase, i, (i,), (0.0,), request, None)
        for phase, number in before
        for i in range(1, number + 1)
    ]
    sessions = groupby(allocation.periods, key=lambda period: period.session)
    return visits + [_trial_visit(plan, number, list(g), shortest) for number, g in sessions]


def least_days(span: Span | None) -> int:
    """Whole days that hold the shortest rest of a range: sessions fall on different days."""
    return ceil(span.low_min / DAY_MIN) if span else 0


def _trial_visit(plan: Plan, number: int, periods: list[Period], shortest: int) -> Visit:
    first = periods[0]
    drawn = None
    if first.rest is not None:
        drawn = first.rest if first.rest_unit == "day" else ceil(first.rest / DAY_MIN)
    by_weekday = plan.design.constraints.balance == "weekday"
    slot = (number - 1) % sessions_in_a_week(plan) if by_weekday else None
    return Visit(
        phase=TRIAL,
        number=number,
        numbers=tuple(period.number for period in periods),
        offsets=_offsets(plan, periods),
        request=Request(drawn or shortest, _start_time(plan, number), slot),
        drawn=drawn,
    )


def _offsets(plan: Plan, periods: list[Period]) -> tuple[float, ...]:
    """Minutes from the start of the session to the start of each period."""
    offsets = [0.0]
    for period in periods[1:]:
        offsets.append(offsets[-1] + _period_minutes(plan) + (period.rest or 0))
    return tuple(offsets)


def _period_minutes(plan: Plan) -> float:
    """Length of one period: its share of the session without the longest rests."""
    several, span = plan.design.periods_per_session, plan.rest.between_periods
    resting = (several - 1) * (span.high if span else 0)
    return (plan.calendar.session_min - resting) / several


def _start_time(plan: Plan, session: int) -> time:
    """When the session starts; early and late in turn where time of day is balanced."""
    window, length = plan.calendar.window, plan.calendar.session_min
    in_turn = (
        plan.design.constraints.balance == "time_of_day" and plan.design.periods_per_session == 1
    )
    if window is None:
        return _USUAL_START
    if in_turn and session % 2 == 0:
        return time(*divmod(_minute(window[1]) - length, 60))
    return window[0]


def _minute(moment: time) -> int:
    return moment.hour * 60 + moment.minute


def _require_room(plan: Plan, allocation: Allocation) -> None:
    """Refuse a session that does not hold its periods, or a window that does not hold a session."""
    length, window = plan.calendar.session_min, plan.calendar.window
    by_session = groupby(allocation.periods, key=lambda period: period.session)
    needed = max(_offsets(plan, list(group))[-1] for _, group in by_session)
    needed += _period_minutes(plan)
    problems = []
    if needed > length or _period_minutes(plan) <= 0:
        problems.append(
            Problem(
                where="calendar.session_min",
                found=f"{length} minutes",
                wrong="a session does not hold its periods and the rests drawn between them.",
                fix=f"set session_min to {ceil(needed)} or more."
                if needed > length
                else "set session_min to more than all rests of a session together.",
            )
        )
    if window and _minute(window[1]) - _minute(window[0]) < length:
        problems.append(
            Problem(
                where="calendar.window",
                found=f"{window[0]:%H:%M} to {window[1]:%H:%M}",
                wrong=f"a session of {length} minutes does not fit in.",
                fix="widen the window or shorten session_min.",
            )
        )
    if problems:
        raise UnanswerableError(problems)
