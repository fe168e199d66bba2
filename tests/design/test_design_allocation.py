"""The draw of a whole trial: repeatable, in its reference set, rests within their ranges."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from scipy.stats import chisquare

from trialkit.design.allocation import draw, outline
from trialkit.domain.plans import RestPlan, Span
from trialkit.errors import RequestError


def test_a_fixed_seed_gives_a_fixed_draw(make_plan: Any) -> None:
    # Words 3606..., cd74..., ea71..., ef2a... of seed 42 are even, odd, even, odd: Fisher-Yates
    # exchanges the pair on 0 and leaves it on 1.
    allocation = draw(make_plan(blocks=4), seed=42)
    assert allocation.sequence == (
        *("with", "without"),
        *("without", "with"),
        *("with", "without"),
        *("without", "with"),
    )
    assert allocation.method == "sha256-counter-1"
    assert allocation.seed == 42


def test_periods_are_numbered_in_blocks_and_sessions(make_plan: Any) -> None:
    plan = replace(
        make_plan(blocks=2, periods_per_session=2),
        rest=RestPlan(between_periods=Span(20, 30, "min"), between_sessions=Span(2, 3, "day")),
    )
    periods = draw(plan, seed=1).periods
    assert [(p.number, p.block, p.position, p.session) for p in periods] == [
        (1, 1, 1, 1),
        (2, 1, 2, 1),
        (3, 2, 1, 2),
        (4, 2, 2, 2),
    ]
    assert [p.rest_unit for p in periods] == [None, "min", "day", "min"]
    assert periods[0].rest is None


def test_rests_are_uniform_within_their_range(make_plan: Any) -> None:
    plan = make_plan(blocks=20)
    rests = Counter(p.rest for seed in range(60) for p in draw(plan, seed=seed).periods[1:])
    assert set(rests) == {2, 3, 4}
    assert chisquare(list(rests.values())).pvalue > 0.001


def test_a_changed_rest_range_leaves_the_order_alone(make_plan: Any) -> None:
    plan = make_plan()
    other = replace(plan, rest=RestPlan(between_sessions=Span(1, 9, "day")))
    assert draw(plan, seed=5).sequence == draw(other, seed=5).sequence
    assert draw(replace(plan, rest=RestPlan()), seed=5).periods[3].rest is None


def test_an_unknown_scheme_names_the_known_ones(make_plan: Any) -> None:
    with pytest.raises(RequestError, match="randomised-pairs"):
        draw(make_plan(scheme="coin"), seed=1)


def test_everything_that_does_not_fit_is_told_at_once(make_plan: Any) -> None:
    with pytest.raises(RequestError) as caught:
        draw(make_plan(3, blocks=0), seed=1)
    assert [p.where for p in caught.value.problems] == [
        "conditions",
        "design.block_size",
        "design.blocks",
    ]


def test_an_outline_lays_out_the_same_periods_without_conditions(make_plan: Any) -> None:
    plan = make_plan(blocks=3)
    drawn = draw(plan, seed=2).periods
    bare = outline(plan, [period.rest for period in drawn])
    assert bare == tuple(replace(period, condition="") for period in drawn)
