"""Dates keep every rule, say which rule leaves none, and survive changes of the clock."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.design.allocation import draw
from trialkit.design.dating import date_periods, replan
from trialkit.domain.plans import Constraints, Plan, RestPlan, Span
from trialkit.domain.schedules import Schedule
from trialkit.errors import RequestError, UnanswerableError

MONDAY = date(2026, 3, 2)
BERLIN = ZoneInfo("Europe/Berlin")


def calendar(plan: Plan, **fields: Any) -> Plan:
    return replace(plan, calendar=replace(plan.calendar, **fields))


def dated(plan: Plan, *, start: date = MONDAY, seed: int = 3) -> Schedule:
    return date_periods(plan, draw(plan, seed=seed), start=start)


def broken_rules(plan: Plan, schedule: Schedule) -> list[str]:
    """Every rule a schedule breaks, checked day by day and without the search."""
    rules, span, broken = plan.calendar, plan.rest.between_sessions, []
    days = [session.starts.date() for session in schedule.sessions]
    for day in days:
        if day.weekday() not in rules.weekdays:
            broken.append(f"{day} weekday")
        if any(first <= day <= last for first, last in rules.blackout):
            broken.append(f"{day} blackout")
    weeks = Counter(day.isocalendar()[:2] for day in days)
    if rules.sessions_per_week and max(weeks.values()) > rules.sessions_per_week:
        broken.append("sessions per week")
    gaps = [(b - a).days for a, b in pairwise(days)]
    if span and any(not span.low <= gap <= span.high for gap in gaps):
        broken.append(f"gaps {gaps}")
    for session in schedule.sessions:
        end = session.starts + timedelta(minutes=session.minutes)
        if (
            rules.window
            and not rules.window[0] <= session.starts.time() <= end.time() <= (rules.window[1])
        ):
            broken.append("window")
    return broken


def test_without_other_rules_the_drawn_rests_are_kept(make_plan: Any) -> None:
    plan = make_plan(baseline=2)
    schedule = dated(plan)
    assert [s.key for s in schedule.sessions[:4]] == [
        ("familiarisation", 1),
        ("baseline", 1),
        ("baseline", 2),
        ("trial", 1),
    ]
    assert schedule.sessions[0].starts == datetime(2026, 3, 2, 17, tzinfo=UTC)
    trial = [s for s in schedule.sessions if s.phase == "trial"]
    drawn = [period.rest for period in draw(plan, seed=3).periods]
    assert [s.drawn_days for s in trial] == drawn
    assert [s.gap_days for s in trial][1:] == drawn[1:]
    assert schedule.notes == ()
    assert [p.number for s in trial for p in s.periods] == list(range(1, 17))


days_of_week = st.sets(st.integers(0, 6), min_size=2).map(lambda days: tuple(sorted(days)))
blackouts = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 5)), max_size=3).map(
    lambda spans: tuple(
        (MONDAY + timedelta(days=a), MONDAY + timedelta(days=a + length)) for a, length in spans
    )
)


@given(
    days_of_week,
    blackouts,
    st.none() | st.integers(1, 4),
    st.integers(1, 4),
    st.integers(0, 9),
    st.integers(0, 3),
)
@settings(max_examples=60, derandomize=True, deadline=None)
def test_dates_keep_every_rule_or_the_rule_that_prevents_it_is_named(
    weekdays: tuple[int, ...],
    blackout: Any,
    per_week: int | None,
    low: int,
    room: int,
    seed: int,
) -> None:
    plan = calendar(PLAN, weekdays=weekdays, blackout=blackout, sessions_per_week=per_week)
    plan = replace(plan, rest=RestPlan(between_sessions=Span(low, low + room, "day")))
    try:
        schedule = dated(plan, seed=seed)
    except UnanswerableError as error:
        problems = error.problems
    else:
        problems = ()
        assert broken_rules(plan, schedule) == []
    for problem in problems:
        assert "sessions find a day" in problem.wrong
        if problem.where != "calendar":
            assert broken_without(plan, problem.where, seed) == []


def broken_without(plan: Plan, rule: str, seed: int) -> list[str]:
    """Dates without the named rule exist, and keep all others."""
    low = plan.rest.between_sessions
    assert low is not None
    looser = {
        "calendar.weekdays": lambda: calendar(plan, weekdays=tuple(range(7))),
        "calendar.blackout": lambda: calendar(plan, blackout=()),
        "calendar.sessions_per_week": lambda: calendar(plan, sessions_per_week=None),
        "rest, shortest between sessions": lambda: replace(
            plan, rest=RestPlan(between_sessions=Span(1, low.high, "day"))
        ),
        "rest, longest between sessions": lambda: replace(
            plan, rest=RestPlan(between_sessions=Span(low.low, 400, "day"))
        ),
    }[rule]()
    allocation = draw(plan, seed=seed)
    return broken_rules(looser, date_periods(looser, allocation, start=MONDAY))


@pytest.fixture(autouse=True)
def _plan(make_plan: Any) -> None:
    global PLAN  # noqa: PLW0603 - hypothesis tests take no function-scoped fixture
    PLAN = make_plan(blocks=4)


PLAN: Plan


@pytest.mark.parametrize(
    ("fields", "named"),
    [
        (
            {"weekdays": (0,)},
            {"calendar.weekdays": "only Mon", "rest, longest between sessions": "at most 4 days"},
        ),
        (
            {"sessions_per_week": 1},
            {
                "calendar.sessions_per_week": "at most 1 in a week",
                "rest, longest between sessions": "at most 4 days",
            },
        ),
        (
            {"blackout": ((date(2026, 3, 1), date(2028, 3, 1)),)},
            {"calendar.blackout": "2026-03-01 to 2028-03-01"},
        ),
        ({"weekdays": ()}, {"calendar.weekdays": "only"}),
        ({"weekdays": (0,), "sessions_per_week": 1}, {"calendar": "rules that leave no day"}),
    ],
)
def test_the_rule_that_makes_it_impossible_is_named(
    make_plan: Any, fields: dict[str, Any], named: dict[str, str]
) -> None:
    plan = make_plan()
    if len(fields) == 2:
        plan = replace(plan, rest=RestPlan(between_sessions=Span(2, 3, "day")))
        fields = fields | {"blackout": ((date(2026, 3, 1), date(2028, 3, 1)),)}
    with pytest.raises(UnanswerableError) as caught:
        dated(calendar(plan, **fields))
    assert {p.where for p in caught.value.problems} == set(named)
    for problem in caught.value.problems:
        assert named[problem.where] in problem.found


def test_a_washout_longer_than_the_longest_rest_is_named(make_plan: Any) -> None:
    rest = RestPlan(between_sessions=Span(1, 3, "day"), washout=Span(4, 6, "day"))
    with pytest.raises(UnanswerableError) as caught:
        dated(replace(make_plan(), rest=rest))
    assert {p.where for p in caught.value.problems} == {
        "rest, shortest between sessions",
        "rest, longest between sessions",
    }


def test_a_trial_that_ends_by_looking_ahead_is_found(make_plan: Any) -> None:
    """A greedy walk runs into the blackout; the search backs off to a later start."""
    plan = calendar(make_plan(blocks=2), blackout=((date(2026, 3, 8), date(2026, 3, 20)),))
    schedule = dated(plan)
    assert broken_rules(plan, schedule) == []
    assert schedule.sessions[0].starts.date() == date(2026, 3, 21)
    assert any("19 days after 2026-03-02" in note for note in schedule.notes)


@pytest.mark.parametrize("days", [300, 230])
def test_a_long_trial_that_just_fits_or_does_not(make_plan: Any, days: int) -> None:
    """121 sessions at least two days apart take 240 days: walking day by day would never end."""
    plan = calendar(
        make_plan(blocks=60), blackout=((MONDAY + timedelta(days=days), date(2099, 1, 1)),)
    )
    plan = replace(plan, rest=RestPlan(between_sessions=Span(2, 14, "day")))
    if days > 240:
        assert broken_rules(plan, dated(plan)) == []
    else:
        with pytest.raises(UnanswerableError, match="no further than session 116"):
            dated(plan)


def test_a_rest_that_could_not_be_kept_is_noted(make_plan: Any) -> None:
    schedule = dated(calendar(make_plan(blocks=2), weekdays=(0, 3)))
    shifted = [s for s in schedule.sessions if s.drawn_days not in (None, s.gap_days)]
    assert shifted
    assert len(schedule.notes) == len(shifted)
    assert "instead of the" in schedule.notes[0]


def test_a_long_daily_trial_is_dated(make_plan: Any) -> None:
    plan = make_plan(scheme="multi-day-blocks", blocks=60, constraints=Constraints(block_days=7))
    plan = replace(plan, rest=RestPlan(between_sessions=Span(1, 1, "day")))
    sessions = dated(plan).sessions
    assert len(sessions) == 841
    assert (sessions[-1].starts - sessions[0].starts).days == 840


def test_balance_over_the_week_keeps_each_slot_on_its_weekday(make_plan: Any) -> None:
    plan = make_plan(scheme="restricted", blocks=6, constraints=Constraints(balance="weekday"))
    plan = calendar(plan, weekdays=(0, 2, 4), sessions_per_week=3)
    plan = replace(plan, rest=RestPlan(between_sessions=Span(2, 3, "day")))
    trial = [s for s in dated(plan).sessions if s.phase == "trial"]
    for slot in range(3):
        assert len({s.starts.weekday() for s in trial[slot::3]}) == 1


def test_balance_over_the_week_can_be_what_is_in_the_way(make_plan: Any) -> None:
    """Three sessions a week exactly three days apart move on by two weekdays every round."""
    plan = make_plan(scheme="restricted", constraints=Constraints(balance="weekday", longest_run=3))
    plan = calendar(plan, sessions_per_week=3)
    plan = replace(plan, rest=RestPlan(between_sessions=Span(3, 3, "day")))
    with pytest.raises(UnanswerableError) as caught:
        dated(plan)
    assert {p.where for p in caught.value.problems} == {
        "design.constraints.balance",
        "rest, shortest between sessions",
        "rest, longest between sessions",
    }


def test_many_blackouts_are_not_all_repeated(make_plan: Any) -> None:
    weekly = tuple((MONDAY + timedelta(days=7 * i),) * 2 for i in range(60))
    plan = calendar(make_plan(), blackout=weekly, weekdays=(0,))
    plan = replace(plan, rest=RestPlan(between_sessions=Span(7, 7, "day")))
    with pytest.raises(UnanswerableError) as caught:
        dated(plan)
    found = {p.where: p.found for p in caught.value.problems}
    assert found["calendar.blackout"].endswith("2026-03-16 to 2026-03-16 and 57 more")


def test_balance_over_time_of_day_takes_early_and_late_in_turn(make_plan: Any) -> None:
    plan = make_plan(scheme="restricted", constraints=Constraints(balance="time_of_day"))
    plan = calendar(plan, window=(time(8), time(20)))
    trial = [s.starts.time() for s in dated(plan).sessions if s.phase == "trial"]
    assert trial[::2] == [time(8)] * 8
    assert trial[1::2] == [time(19)] * 8


def two_a_day(make_plan: Any, **fields: Any) -> Plan:
    plan = replace(
        make_plan(periods_per_session=2, familiarisation=0),
        rest=RestPlan(Span(60, 90, "min"), Span(1, 1, "day")),
    )
    return calendar(plan, **({"session_min": 150, "window": None} | fields))


def test_rests_within_a_session_run_from_the_end_of_a_period(make_plan: Any) -> None:
    plan = two_a_day(make_plan)
    for session, period in zip(dated(plan).sessions, draw(plan, seed=3).periods[1::2], strict=True):
        first, second = session.periods
        assert first.starts == session.starts
        # 150 min less the longest rest of 90 leave 30 min for each period.
        assert (second.starts - first.starts) == timedelta(minutes=30 + (period.rest or 0))


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        ({"session_min": 60, "window": None}, "calendar.session_min"),
        ({"session_min": 150, "window": (time(17), time(19))}, "calendar.window"),
    ],
)
def test_a_session_that_does_not_fit_is_refused(
    make_plan: Any, fields: dict[str, Any], where: str
) -> None:
    with pytest.raises(UnanswerableError) as caught:
        dated(two_a_day(make_plan, **fields))
    assert [p.where for p in caught.value.problems] == [where]


def test_the_clock_time_stays_when_summer_time_begins(make_plan: Any) -> None:
    plan = calendar(make_plan(), time_zone="Europe/Berlin")
    starts = [s.starts for s in dated(plan, start=date(2026, 3, 23)).sessions]
    assert {s.time() for s in starts} == {time(17)}
    offsets = [s.utcoffset() for s in starts]
    assert {timedelta(hours=1), timedelta(hours=2)} == set(offsets)


def test_a_time_the_clock_skips_is_never_a_start(make_plan: Any) -> None:
    # Europe/Berlin, 29 March 2026: 02:00 is followed by 03:00.
    plan = calendar(make_plan(), time_zone="Europe/Berlin", window=(time(2, 30), time(4)))
    plan = replace(plan, rest=RestPlan(between_sessions=Span(1, 2, "day")))
    starts = [s.starts for s in dated(plan, start=date(2026, 3, 25)).sessions]
    assert date(2026, 3, 29) not in {s.date() for s in starts}
    assert all(s.astimezone(UTC).astimezone(BERLIN).time() == time(2, 30) for s in starts)
    daily = replace(plan, rest=RestPlan(between_sessions=Span(1, 1, "day")))
    # After the change there is no time left before the blackout.
    daily = calendar(daily, blackout=((date(2026, 4, 13), date(2028, 1, 1)),))
    with pytest.raises(UnanswerableError) as caught:
        dated(daily, start=date(2026, 3, 26))
    assert "calendar.window" in {p.where for p in caught.value.problems}


def test_of_a_time_the_clock_shows_twice_the_first_is_taken_and_noted(make_plan: Any) -> None:
    # Europe/Berlin, 25 October 2026: 03:00 summer time is followed by 02:00 winter time.
    plan = calendar(make_plan(), time_zone="Europe/Berlin", window=(time(2, 30), time(4)))
    schedule = dated(plan, start=date(2026, 10, 25))
    assert schedule.sessions[0].starts.utcoffset() == timedelta(hours=2)
    assert any("02:30 twice" in note for note in schedule.notes)


def test_rests_are_true_minutes_across_a_change_of_the_clock(make_plan: Any) -> None:
    plan = two_a_day(make_plan, time_zone="Europe/Berlin", window=(time(1, 30), time(5)))
    plan = replace(plan, rest=replace(plan.rest, between_sessions=Span(1, 3, "day")))
    session = dated(plan, start=date(2026, 3, 29)).sessions[0]
    first, second = session.periods
    rest = draw(plan, seed=3).periods[1].rest
    assert rest is not None
    passed = second.starts.astimezone(UTC) - first.starts.astimezone(UTC)
    assert passed == timedelta(minutes=30 + rest)
    assert second.starts.utcoffset() != first.starts.utcoffset()


def test_a_start_and_a_known_zone_are_needed(make_plan: Any) -> None:
    plan = make_plan()
    with pytest.raises(RequestError, match=r"calendar\.start"):
        date_periods(plan, draw(plan, seed=1))
    with pytest.raises(RequestError, match="IANA"):
        dated(calendar(plan, time_zone="Middle/Earth"))
    assert date_periods(calendar(plan, start=MONDAY), draw(plan, seed=1)) == dated(plan, seed=1)


# Replanning


@given(
    st.integers(1, 8),
    st.sets(st.integers(1, 8), max_size=2),
    st.integers(0, 30),
    st.integers(-1, 2),
    days_of_week,
    st.none() | st.integers(2, 4),
)
@settings(max_examples=50, derandomize=True, deadline=None)
def test_replanning_keeps_the_rules_for_what_remains(
    done: int,
    dropped: set[int],
    pause: int,
    moved: int,
    weekdays: tuple[int, ...],
    per_week: int | None,
) -> None:
    plan = calendar(PLAN, weekdays=weekdays, sessions_per_week=per_week)
    plan = replace(plan, rest=RestPlan(between_sessions=Span(2, 9, "day")))
    allocation = draw(plan, seed=5)
    schedule = date_periods(plan, allocation, start=MONDAY)
    held = {s.key: s.starts for s in schedule.sessions[:done]}
    last_key, last = list(held.items())[-1]
    held[last_key] = last + timedelta(days=moved)
    resume = held[last_key].date() + timedelta(days=pause)
    skipped = {("trial", number) for number in dropped} - set(held)
    again = replan(plan, allocation, held=held, dropped=skipped, resume=resume)
    keys = {s.key for s in schedule.sessions}
    assert {s.key for s in again.sessions} == keys - skipped
    assert [s.starts for s in again.sessions[: len(held)]] == sorted(held.values())
    ahead = [s for s in again.sessions if s.key not in held]
    assert [s.key for s in ahead] == [
        s.key for s in schedule.sessions if s.key not in held and s.key not in skipped
    ]
    assert all(s.starts.date() >= resume for s in ahead)
    assert broken_rules(plan, replace(again, sessions=tuple(ahead))) == []
    if ahead:
        gap = (ahead[0].starts.date() - held[last_key].date()).days
        assert gap == ahead[0].gap_days
        assert gap >= 2
        assert (gap > 9) == any("longer than the 9 planned" in note for note in again.notes)
    if per_week and held[last_key] == last:
        weeks = Counter(s.starts.isocalendar()[:2] for s in again.sessions)
        assert max(weeks.values()) <= per_week


def test_replanning_refuses_sessions_the_trial_does_not_have(make_plan: Any) -> None:
    plan = make_plan()
    with pytest.raises(RequestError, match="trial 99"):
        replan(plan, draw(plan, seed=1), held={}, dropped={("trial", 99)}, resume=MONDAY)


def test_a_trial_that_is_over_has_nothing_left_to_date(make_plan: Any) -> None:
    plan = make_plan(blocks=2)
    allocation = draw(plan, seed=1)
    schedule = date_periods(plan, allocation, start=MONDAY)
    held = {s.key: s.starts for s in schedule.sessions}
    assert replan(plan, allocation, held=held, resume=MONDAY).sessions == schedule.sessions


def test_balance_over_the_week_holds_after_replanning(make_plan: Any) -> None:
    plan = make_plan(scheme="restricted", blocks=6, constraints=Constraints(balance="weekday"))
    plan = calendar(plan, weekdays=(0, 2, 4))
    plan = replace(plan, rest=RestPlan(between_sessions=Span(2, 3, "day")))
    allocation = draw(plan, seed=2)
    schedule = date_periods(plan, allocation, start=MONDAY)
    held = {s.key: s.starts for s in schedule.sessions[:5]}
    again = replan(plan, allocation, held=held, resume=date(2026, 4, 20))
    trial = [s for s in again.sessions if s.phase == "trial"]
    for slot in range(3):
        assert len({s.starts.weekday() for s in trial[slot::3]}) == 1
    assert schedule.find("trial", 5) != again.find("trial", 5)
    assert again.find("trial", 99) is None
