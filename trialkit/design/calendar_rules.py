"""The rules a calendar has to keep, and how each is called when it is in the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

_DAY_NAMES: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_EVERY_DAY: Final = frozenset(range(7))


@dataclass(frozen=True)
class Rules:
    """Everything a day has to keep. Rests are in whole days; ``longest`` None is no limit."""

    zone: ZoneInfo
    weekdays: frozenset[int] = _EVERY_DAY
    blackout: tuple[tuple[date, date], ...] = ()
    per_week: int | None = None
    shortest: int = 1
    longest: int | None = None
    same_weekday: bool = False
    real_times: bool = True

    def allow(self, day: date, at: time) -> bool:
        """Whether a session may start at this clock time on this day at all."""
        return (
            day.weekday() in self.weekdays
            and not any(first <= day <= last for first, last in self.blackout)
            and (not self.real_times or exists(day, at, self.zone))
        )


@dataclass(frozen=True)
class Request:
    """A session to date: the rest drawn before it, its clock time, its slot of the week."""

    rest: int
    at: time
    week_slot: int | None = None


@dataclass(frozen=True)
class Past:
    """What the rules must know of the sessions before.

    ``resume`` is the first day that is still free, ``last`` the day of the session before,
    ``in_week`` the sessions already in its week, ``weekdays`` what each slot of the week settled
    on, in order of first use.
    """

    resume: date
    last: date | None = None
    in_week: int = 0
    weekdays: tuple[tuple[int, int], ...] = ()

    def then(self, day: date, request: Request) -> Past:
        """The past after a session on ``day``."""
        same_week = self.last is not None and day.isocalendar()[:2] == self.last.isocalendar()[:2]
        settled = self.weekdays
        if request.week_slot is not None and request.week_slot not in dict(settled):
            settled = (*settled, (request.week_slot, day.weekday()))
        in_week = self.in_week + 1 if same_week else 1
        return Past(day + timedelta(days=1), day, in_week, settled)


def exists(day: date, at: time, zone: ZoneInfo) -> bool:
    """Whether the clock shows this time on this day (it is skipped when summer time starts)."""
    local = datetime.combine(day, at, tzinfo=zone)
    return local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == local.replace(tzinfo=None)


def _listed(blackout: tuple[tuple[date, date], ...]) -> str:
    named = ", ".join(f"{first} to {last}" for first, last in blackout[:3])
    return named if len(blackout) <= 3 else f"{named} and {len(blackout) - 3} more"


WITHOUT: Final[dict[str, tuple[Callable[[Rules], str], Callable[[Rules], Rules]]]] = {
    "calendar.weekdays": (
        lambda r: "only " + ", ".join(_DAY_NAMES[day] for day in sorted(r.weekdays)),
        lambda r: replace(r, weekdays=_EVERY_DAY),
    ),
    "calendar.blackout": (
        lambda r: _listed(r.blackout),
        lambda r: replace(r, blackout=()),
    ),
    "calendar.sessions_per_week": (
        lambda r: f"at most {r.per_week} in a week",
        lambda r: replace(r, per_week=None),
    ),
    "rest, shortest between sessions": (
        lambda r: f"at least {r.shortest} days",
        lambda r: replace(r, shortest=1),
    ),
    "rest, longest between sessions": (
        lambda r: f"at most {r.longest} days",
        lambda r: replace(r, longest=None),
    ),
    "design.constraints.balance": (
        lambda r: "sessions of one slot of the week share their weekday",
        lambda r: replace(r, same_weekday=False),
    ),
    "calendar.window": (
        lambda r: f"a start which the clock skips when summer time begins in {r.zone}",
        lambda r: replace(r, real_times=False),
    ),
}
"""For each rule: how it reads, and the rules without it."""
