"""Classes of periods over which conditions are balanced: slots of the week or of the day.

They are fixed by the plan alone, so that the reference set is known before any date is: the slot
of the day is the place within the session, or, with one period a session, early and late sessions
in turn; the slot of the week is the session's place among the sessions of a week. The calendar
keeps to them: sessions of one slot of the week share their weekday, early sessions start when the
daily window opens and late ones end when it closes.
"""

from __future__ import annotations

from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError


def slot_labels(plan: Plan, length: int) -> tuple[int, ...]:
    """Class of each of the ``length`` periods; empty when the plan asks for no balance.

    Raises
    ------
    RequestError
        When the plan names something else to balance over.
    """
    balance, per_session = plan.design.constraints.balance, plan.design.periods_per_session
    if balance is None:
        return ()
    if balance == "weekday":
        week = sessions_in_a_week(plan)
        return tuple(i // per_session % week for i in range(length))
    if balance == "time_of_day":
        return tuple(i % per_session if per_session > 1 else i % 2 for i in range(length))
    raise RequestError(
        Problem(
            where="design.constraints.balance",
            found=repr(balance),
            wrong="conditions can be balanced over the weekday or the time of day.",
            fix="use weekday or time_of_day.",
        )
    )


def sessions_in_a_week(plan: Plan) -> int:
    """How many sessions an undisturbed week holds."""
    days = len(plan.calendar.weekdays)
    return min(days, plan.calendar.sessions_per_week or days)
