from datetime import datetime, timedelta, time
from zoneinfo import ZoneInfo
from trialkit.app.answers import Answer


def planned_starts(plan, allocation):
    day = plan.calendar.start
    out = {}
    for p in allocation.periods:
        if p.rest_unit == "day" and p.rest:
            day = day + timedelta(days=p.rest)
        out[p.number] = datetime.combine(
            day, time(17, 30), tzinfo=ZoneInfo(plan.calendar.time_zone)
        )
    return out


def date_trial(root, *, start, at, who):
    return Answer("", {})
