"""The repaired plan answers the question, and every change is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from typing import Any

import pytest

from trialkit.design.repair import repair
from trialkit.design.threats import find_threats
from trialkit.domain.allocations import Severity
from trialkit.domain.outcomes import Role, Worthwhile
from trialkit.domain.plans import (
    AnalysisPlan,
    CalendarPlan,
    Constraints,
    Plan,
    RestPlan,
    Span,
)


def grave(plan: Plan) -> set[str]:
    return {t.id for t in find_threats(plan) if t.severity is Severity.CANNOT_ANSWER}


def test_a_sound_plan_is_left_as_it_is(make_plan: Any) -> None:
    plan = make_plan()
    assert repair(plan) == (plan, ())


def test_two_tests_on_one_evening_become_a_trial(make_plan: Any) -> None:
    """Invented: without, then with the warm-up, half an hour apart, ridden to the same power."""
    plan = make_plan(
        scheme="fixed",
        blocks=1,
        order=("without", "with"),
        periods_per_session=2,
        familiarisation=0,
        matched_work=True,
        first_period_prepares_next=True,
    )
    plan = replace(
        plan, rest=RestPlan(between_periods=Span(30, 30, "min")), calendar=CalendarPlan()
    )
    repaired, changes = repair(plan)
    assert find_threats(repaired) == ()
    design = repaired.design
    assert (design.scheme, design.blocks, design.block_size) == ("randomised-pairs", 8, 2)
    assert (design.order, design.periods_per_session, design.familiarisation) == ((), 1, 2)
    assert not design.matched_work
    assert repaired.rest == RestPlan(between_sessions=Span(2, 4, "day"))
    assert repaired.calendar.window == (time(17), time(20))
    told = " ".join(changes)
    for word in ("random", "8 blocks", "separate days", "all-out", "familiarisation", "17:00"):
        assert word in told
    assert repair(repaired) == (repaired, ())


@pytest.mark.parametrize(
    ("change", "gone"),
    [
        (lambda make: make(blocks=1), "no-noise-estimate"),
        (lambda make: make(blocks=3), "smallest-p"),
        (
            lambda make: make(3, scheme="fixed", order=("without", "with", "short") * 8),
            "order-and-effect",
        ),
        (lambda make: make(4, scheme="latin-square", blocks=4), "margin-beyond-detection"),
        (
            lambda make: make(
                scheme="phase-change",
                blocks=1,
                block_size=10,
                constraints=Constraints(min_phase=4),
            ),
            "too-few-sequences",
        ),
        (
            lambda make: replace(
                make(), outcomes=(replace(make().outcomes[0], half_life_min=5760.0),)
            ),
            "left-over",
        ),
        (
            lambda make: replace(
                make(),
                rest=RestPlan(between_sessions=Span(1, 2, "day"), washout=Span(3, 3, "day")),
            ),
            "rest-below-washout",
        ),
        (lambda make: make(conditions_act_within_period=False), "cannot-respond"),
        (
            lambda make: make(
                scheme="phase-change",
                blocks=1,
                block_size=10,
                constraints=Constraints(min_phase=4),
                conditions_act_within_period=False,
            ),
            "too-few-sequences",
        ),
        (
            lambda make: replace(make(), calendar=CalendarPlan(window=(time(6), time(22)))),
            "time-of-day",
        ),
        (
            lambda make: replace(make(), analysis=AnalysisPlan(max_blocks=12)),
            "undeclared-looks",
        ),
        (
            lambda make: replace(make(blocks=4), analysis=AnalysisPlan(max_blocks=7)),
            "undeclared-looks",
        ),
        (
            lambda make: replace(
                make(), outcomes=(make().outcomes[0], replace(make().outcomes[0], name="speed"))
            ),
            "two-primaries",
        ),
        (
            lambda make: replace(
                make(), outcomes=(replace(make().outcomes[0], role=Role.SECONDARY),)
            ),
            "no-primary",
        ),
    ],
)  # fmt: skip
def test_the_threat_is_gone_and_no_grave_one_came(make_plan: Any, change: Any, gone: str) -> None:
    plan = change(make_plan)
    assert gone in {t.id for t in find_threats(plan)}
    repaired, changes = repair(plan)
    assert gone not in {t.id for t in find_threats(repaired)}
    assert grave(repaired) == set()
    assert changes
    assert not any(line.startswith("left open") for line in changes)


def test_a_margin_that_needs_too_many_blocks_is_named_and_not_planned(make_plan: Any) -> None:
    plan = make_plan()
    plan = replace(
        plan, outcomes=(replace(plan.outcomes[0], worthwhile=Worthwhile(1.0, "W", "invented")),)
    )
    repaired, changes = repair(plan)
    assert repaired == plan
    assert len(changes) == 1
    assert changes[0].startswith("left open: At best (every period held")
    # R: power.t.test(delta = .25 / sqrt(2), power = .8, type = "paired") gives n = 253.09.
    assert "plan at least 254 pairs" in changes[0]


def test_what_only_people_know_is_left_open(make_plan: Any) -> None:
    plan = make_plan()
    plan = replace(plan, outcomes=(replace(plan.outcomes[0], worthwhile=None, typical_error=None),))
    repaired, changes = repair(plan)
    assert repaired == plan
    assert [line.split(":")[0] for line in changes] == ["left open", "left open"]


def test_days_with_no_session_widen_the_range_of_the_rest(make_plan: Any) -> None:
    plan = replace(
        make_plan(), rest=RestPlan(), calendar=replace(make_plan().calendar, weekdays=(5,))
    )
    plan = replace(plan, outcomes=(replace(plan.outcomes[0], half_life_min=60.0),))
    repaired, _ = repair(plan)
    assert repaired.rest.between_sessions == Span(2, 9, "day")
