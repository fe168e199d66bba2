"""Days that keep all calendar rules, found by search; and the rule that leaves none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import Final

from trialkit.design.calendar_reach import HORIZON, Reach
from trialkit.design.calendar_rules import WITHOUT, Past, Request, Rules
from trialkit.errors import Problem, UnanswerableError

# The first session is held within four weeks of the day asked for; later is another start.
_LATEST_START: Final = 29


def find_days(requests: Sequence[Request], rules: Rules, past: Past) -> list[date]:
    """One day for each request, as close to the drawn rests as the rules let it be.

    Raises
    ------
    UnanswerableError
        When there are none: it names each rule without which there would be.
    """
    days, dated = _search(requests, rules, past)
    if len(days) < len(requests):
        raise UnanswerableError(_explain(requests, rules, past, dated))
    return days


def _search(requests: Sequence[Request], rules: Rules, past: Past) -> tuple[list[date], int]:
    """Depth first, nearest to the drawn rest first; what once led nowhere is not tried again.

    Returns the days (too few when there is no way) and how many sessions found one at best.
    """
    chosen: list[date] = []
    if not requests:
        return chosen, 0
    first_days = list(_days_by_preference(requests[0], rules, past))
    reach = Reach(requests, rules, origin=past.resume, first_days=first_days)
    pasts, dead, deepest = [past], set[tuple[int, Past]](), 0
    trials = [_possible_days(requests[0], rules, past)]
    while trials and len(chosen) < len(requests):
        place, day = len(chosen), next(trials[-1], None)
        if day is None:
            trials.pop()
            dead.add((place, pasts.pop()))
            del chosen[-1:]
            continue
        following = pasts[-1].then(day, requests[place])
        if not reach.is_open(place, day) or (place + 1, following) in dead:
            continue
        chosen.append(day)
        deepest = max(deepest, len(chosen))
        if len(chosen) < len(requests):
            pasts.append(following)
            trials.append(_possible_days(requests[place + 1], rules, following))
    return chosen, deepest if reach.dated == len(requests) else reach.dated


def _possible_days(request: Request, rules: Rules, past: Past) -> Iterator[date]:
    settled = dict(past.weekdays).get(request.week_slot) if request.week_slot is not None else None
    for day in _days_by_preference(request, rules, past):
        wrong_weekday = rules.same_weekday and settled is not None and day.weekday() != settled
        if not wrong_weekday and _week_has_room(day, rules, past):
            yield day


def _days_by_preference(request: Request, rules: Rules, past: Past) -> Iterator[date]:
    """Days within the shortest and longest rest, those nearest to the drawn rest first."""
    if past.last is None:
        yield from (past.resume + timedelta(days=i) for i in range(_LATEST_START))
        return
    first = max(past.resume, past.last + timedelta(days=rules.shortest))
    final = past.last + timedelta(days=HORIZON if rules.longest is None else rules.longest)
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


def _explain(
    requests: Sequence[Request], rules: Rules, past: Past, dated: int
) -> Iterator[Problem]:
    """One problem for each rule which alone stands in the way; one for all where none does."""
    stuck = (
        f"not all {len(requests)} sessions find a day (the search gets no further than session "
        f"{dated + 1})"
    )
    alone = []
    for name, (words, without) in WITHOUT.items():
        looser = without(rules)
        if looser != rules and len(_search(requests, looser, past)[0]) == len(requests):
            alone.append(
                Problem(
                    where=name,
                    found=words(rules),
                    wrong=f"with this rule {stuck}; without it they do.",
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
