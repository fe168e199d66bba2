"""What is said about a deviation fits the plan, with its own figures."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from trialkit.design.deviations import KINDS, effect_of_deviation
from trialkit.domain.plans import Constraints
from trialkit.errors import RequestError


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_names_its_period_and_speaks_of_the_analysis(make_plan: Any, kind: str) -> None:
    text = effect_of_deviation(make_plan(), kind, 5)
    assert text.startswith("Period 5 ")
    assert "analysis" in text.lower()


@pytest.mark.parametrize("kind", sorted(set(KINDS) - {"aborted"}))
def test_what_becomes_of_the_possible_orders_is_said(make_plan: Any, kind: str) -> None:
    text = effect_of_deviation(make_plan(), kind, 5)
    assert "Reference set: " in text
    assert "256 orders" in text


def test_an_aborted_period_is_told_in_two_plain_sentences(make_plan: Any) -> None:
    text = effect_of_deviation(make_plan(), "aborted", 5)
    assert text.count(". ") == 1
    assert text.endswith(".")
    assert "stays in the data and is left out of the analysis" in text


def test_a_missed_period_can_be_made_up_by_a_command(make_plan: Any) -> None:
    assert "`trialkit next DIR --period 5`" in effect_of_deviation(make_plan(), "missed", 5)


def test_a_missed_period_costs_a_pair_with_its_size(make_plan: Any) -> None:
    text = effect_of_deviation(make_plan(), "missed", 5)
    assert "block 3 is incomplete" in text
    assert "7 of 8 (6 degrees of freedom instead of 7" in text
    # R: power.t.test(n, power = .8, type = "paired", strict = TRUE)$delta * sqrt(2) * 4 W gives
    # 6.5395197 for 8 pairs and 7.1987241 for 7.
    assert "from 6.54 to 7.2 W" in text


def test_without_a_typical_error_no_size_is_invented(make_plan: Any) -> None:
    plan = make_plan()
    plan = replace(plan, outcomes=(replace(plan.outcomes[0], typical_error=None),))
    assert "grows" not in effect_of_deviation(plan, "missed", 5)


def test_the_last_blocks_with_noise_are_named(make_plan: Any) -> None:
    assert "No whole blocks are left" in effect_of_deviation(make_plan(blocks=2), "missed", 1)


def test_a_scheme_without_small_blocks_loses_a_value(make_plan: Any) -> None:
    plan = make_plan(
        scheme="phase-change", blocks=1, block_size=28, constraints=Constraints(min_phase=4)
    )
    text = effect_of_deviation(plan, "missed", 9)
    assert "21 orders" in text
    assert "one value less" in text
    assert "incomplete" not in text
    assert "its condition has one value less" in effect_of_deviation(plan, "aborted", 9)


def test_days_of_multi_day_blocks_belong_to_their_block(make_plan: Any) -> None:
    plan = make_plan(scheme="multi-day-blocks", constraints=Constraints(block_days=3))
    assert "block 2 " in effect_of_deviation(plan, "moved", 7)


def test_a_fixed_order_is_called_so(make_plan: Any) -> None:
    plan = make_plan(scheme="fixed", blocks=2, order=("with", "without") * 2)
    assert "the one order the plan fixed" in effect_of_deviation(plan, "swapped", 1)


def test_an_unknown_kind_and_period_are_refused_together(make_plan: Any) -> None:
    with pytest.raises(RequestError) as caught:
        effect_of_deviation(make_plan(), "forgotten", 17)
    assert [p.where for p in caught.value.problems] == ["deviation", "period"]
