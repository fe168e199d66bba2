"""Days that keep all calendar rules, found by search; and the rule that leaves none."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from trialkit.errors import Problem, UnanswerableError

_DAY_NAMES: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_EVERY_DAY: Final = frozenset(range(7))
# Where no longest rest is set, a session is looked for within this many days.
_HORIZON: Final = 400
# The first session is held within four weeks of the day asked for; later is another start.
_LATEST_START: Final = 29


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


def find_days(requests: Sequence[Request], rules: Rules, past: Past) -> list[date]:
    """One day for each request, as close to the drawn rests as the rules let it be.

    Raises
    ------
    UnanswerableError
        When there are none: it names each rule without which there would be.
    """
    days, deepest = _search(requests, rules, past)
    if len(days) < len(requests):
        raise UnanswerableError(_explain(requests, rules, past, deepest))
    return days


def _search(requests: Sequence[Request], rules: Rules, past: Past) -> tuple[list[date], int]:
    """Depth first, nearest to the drawn rest first; what once led nowhere is not tried again."""
    chosen: list[date] = []
    pasts, dead, deepest = [past], set[tuple[int, Past]](), 0
    trials = [_possible_days(requests[0], rules, past)] if requests else []
    while trials and len(chosen) < len(requests):
        day = next(trials[-1], None)
        if day is None:
            trials.pop()
            dead.add((len(chosen), pasts.pop()))
            if chosen:
                chosen.pop()
            continue
        following = pasts[-1].then(day, requests[len(chosen)])
        if (len(chosen) + 1, following) in dead:
            continue
        chosen.append(day)
        deepest = max(deepest, len(chosen))
        if len(chosen) < len(requests):
            pasts.append(following)
            trials.append(_possible_days(requests[len(chosen)], rules, following))
    return chosen, deepest


def _possible_days(request: Request, rules: Rules, past: Past) -> Iterator[date]:
    settled = dict(past.weekdays).get(request.week_slot) if request.week_slot is not None else None
    for day in _days_by_preference(request, rules, past):
        wrong_weekday = rules.same_weekday and settled is not None and day.weekday() != settled
        if not wrong_weekday and rules.allow(day, request.at) and _week_has_room(day, rules, past):
            yield day


def _days_by_preference(request: Request, rules: Rules, past: Past) -> Iterator[date]:
    """Days within the shortest and longest rest, those nearest to the drawn rest first."""
    if past.last is None:
        yield from (past.resume + timedelta(days=i) for i in range(_LATEST_START))
        return
    first = max(past.resume, past.last + timedelta(days=rules.shortest))
    final = past.last + timedelta(days=_HORIZON if rules.longest is None else rules.longest)
    if rules.longest is not None and past.resume > final:
        # The trial was interrupted: a week from where it resumes holds every weekday.
        final = past.resume + timedelta(days=max(6, rules.longest - rules.shortest))
    wanted = past.last + timedelta(days=request.rest)
    days = [first + timedelta(days=i) for i in range((final - first).days + 1)]
    yield from sorted(days, key=lambda day: (abs((day - wanted).days), day < wanted))


def _week_has_room(day: date, rules: Rules, past: Past) -> bool:
    if rules.per_week is None or past.last is None:
        return rules.per_week != 0
    same_week = day.isocalendar()[:2] == past.last.isocalendar()[:2]
    return not same_week or past.in_week < rules.per_week


def _listed(blackout: tuple[tuple[date, date], ...]) -> str:
    named = ", ".join(f"{first} to {last}" for first, last in blackout[:3])
    return named if len(blackout) <= 3 else f"{named} and {len(blackout) - 3} more"


_WITHOUT: Final[dict[str, tuple[Callable[[Rules], str], Callable[[Rules], Rules]]]] = {
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


def _explain(
    requests: Sequence[Request], rules: Rules, past: Past, deepest: int
) -> Iterator[Problem]:
    """One problem for each rule which alone stands in the way; one for all where none does."""
    stuck = f"session {deepest + 1} of the {len(requests)} to be dated finds no day"
    alone = []
    for name, (words, without) in _WITHOUT.items():
        looser = without(rules)
        if looser != rules and len(_search(requests, looser, past)[0]) == len(requests):
            alone.append(
                Problem(
                    where=name,
                    found=words(rules),
                    wrong=f"with this rule {stuck}; without it all of them do.",
                    fix="loosen this rule, or another one it collides with.",
                )
            )
    together = Problem(
        where="calendar",
        found="rules that leave no day",
        wrong=f"{stuck}, and loosening one rule alone is not enough.",
        fix="loosen two of them: weekdays, blackout, sessions_per_week, rests.",
    )
    yield from alone or [together]
