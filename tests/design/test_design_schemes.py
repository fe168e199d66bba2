"""Schemes by name: what fits, what is refused, and how many sequences constraints leave."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby, pairwise
from math import comb
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.design.allocation import draw
from trialkit.design.draws import Stream
from trialkit.design.relabelled import incomplete_table, williams_table
from trialkit.design.restricted import RestrictedOrders
from trialkit.design.schemes import reference_set, scheme_names
from trialkit.domain.plans import CalendarPlan, Constraints
from trialkit.errors import RequestError, UnanswerableError

NAMES = ("a", "b", "c", "d")


def test_the_names_of_the_schemes_are_fixed() -> None:
    assert set(scheme_names()) == {
        "randomised-pairs",
        "randomised-blocks",
        "latin-square",
        "williams-square",
        "incomplete-blocks",
        "counterbalanced",
        "restricted",
        "phase-change",
        "multi-day-blocks",
        "fixed",
    }


@given(
    st.integers(2, 3),
    st.integers(1, 3),
    st.none() | st.integers(1, 3),
    st.booleans(),
    st.integers(0, 3),
)
@settings(max_examples=60, derandomize=True, deadline=None)
def test_restricted_orders_are_those_that_keep_the_rules(
    k: int, repeats: int, longest_run: int | None, in_blocks: bool, slots: int
) -> None:
    """Counting, walking and drawing agree with trying the rules on every order one by one."""
    n = k * repeats
    labels = tuple(i % slots for i in range(n)) if slots else ()
    orders = RestrictedOrders(
        NAMES[:k], n, slots=labels, longest_run=longest_run, block_size=k if in_blocks else None
    )
    free = RestrictedOrders(NAMES[:k], n)
    kept = {
        codes
        for codes in free.walk()
        if (longest_run is None or max(len(list(g)) for _, g in groupby(codes)) <= longest_run)
        and (not in_blocks or all(len(set(codes[i : i + k])) == k for i in range(0, n, k)))
        and all(
            _spread_evenly([c for c, s in zip(codes, labels, strict=True) if s == slot], k)
            for slot in set(labels)
        )
    }
    assert set(orders.walk()) == kept
    assert orders.count() == len(kept)
    assert all(orders.holds(codes) == (codes in kept) for codes in free.walk())
    if kept:
        assert orders.pick(Stream(n, "order")) in kept


def _spread_evenly(codes: list[int], k: int) -> bool:
    counts = [codes.count(code) for code in range(k)]
    return max(counts) - min(counts) <= 1


def test_a_long_restricted_trial_is_counted_exactly_and_drawn() -> None:
    orders = RestrictedOrders(("a", "b"), 200)
    assert orders.count() == comb(200, 100)
    limited = RestrictedOrders(("a", "b"), 200, longest_run=2)
    codes = limited.pick(Stream(3, "order"))
    assert codes.count(0) == 100
    assert max(len(list(g)) for _, g in groupby(codes)) <= 2


def test_rules_too_entangled_to_count_are_refused() -> None:
    orders = RestrictedOrders(("a", "b"), 56, longest_run=3, slots=tuple(i % 7 for i in range(56)))
    with pytest.raises(RequestError, match="randomised-blocks"):
        orders.count()


@pytest.mark.parametrize(
    ("design", "left"),
    [
        # Balanced orders of 6 pairs: C(6, 3) = 20, smallest p 0.1.
        ({"blocks": 6, "periods_per_session": 2, "constraints": Constraints(balance="time_of_day")},
         20),
        # No order of pairs lets every run have length one but ABAB... and BABA...
        ({"blocks": 8, "constraints": Constraints(longest_run=1)}, 2),
        ({"scheme": "phase-change", "blocks": 1, "block_size": 20,
          "constraints": Constraints(min_phase=6)}, 9),
        ({"scheme": "phase-change", "blocks": 1, "block_size": 6,
          "constraints": Constraints(min_phase=6)}, 0),
        ({"scheme": "restricted", "blocks": 2, "constraints": Constraints(longest_run=2)}, 6),
    ],
)  # fmt: skip
def test_constraints_that_leave_too_few_sequences_are_refused_with_the_count(
    make_plan: Any, design: dict[str, Any], left: int
) -> None:
    with pytest.raises(UnanswerableError, match=f"found {left} sequences"):
        draw(make_plan(**design), seed=1)


def test_constraints_that_leave_enough_are_drawn(make_plan: Any) -> None:
    plan = make_plan(
        blocks=8, periods_per_session=2, constraints=Constraints(balance="time_of_day")
    )
    sequence = draw(plan, seed=4).sequence
    assert sequence[::2].count("with") == 4


def test_balance_over_the_week_puts_each_condition_on_each_slot_equally_often(
    make_plan: Any,
) -> None:
    plan = make_plan(scheme="restricted", blocks=6, constraints=Constraints(balance="weekday"))
    plan = replace(plan, calendar=CalendarPlan(weekdays=(0, 2, 4)))
    sequence = draw(plan, seed=9).sequence
    assert [sequence[slot::3].count("with") for slot in range(3)] == [2, 2, 2]


def test_an_unknown_balance_is_refused(make_plan: Any) -> None:
    with pytest.raises(RequestError, match="weekday or time_of_day"):
        reference_set(make_plan(constraints=Constraints(balance="moon")))


@pytest.mark.parametrize(
    ("conditions", "design", "told"),
    [
        (3, {"scheme": "counterbalanced", "block_size": 3, "blocks": 5}, "plan 6 blocks"),
        (4, {"scheme": "latin-square", "block_size": 4, "blocks": 6}, "multiple of 4"),
        (7, {"scheme": "latin-square", "block_size": 7, "blocks": 7}, "2 to 6"),
        (3, {"scheme": "williams-square", "block_size": 3, "blocks": 3}, "multiple of 6"),
        (4, {"scheme": "incomplete-blocks", "block_size": 4, "blocks": 6},
         "2 in multiples of 6 blocks, 3 in multiples of 4 blocks"),
        (4, {"scheme": "incomplete-blocks", "block_size": 3, "blocks": 6}, "plan 8 blocks"),
        (2, {"scheme": "incomplete-blocks", "block_size": 2, "blocks": 6}, "3 to 7"),
        (3, {"scheme": "restricted", "block_size": 5, "blocks": 1}, "multiple of 3"),
        (2, {"scheme": "latin-square", "constraints": Constraints(longest_run=2)}, "longest_run"),
        (2, {"scheme": "fixed", "order": ("with",)}, "each of the 16 periods"),
    ],
)  # fmt: skip
def test_what_does_not_fit_its_scheme_is_refused_with_the_fix(
    make_plan: Any, conditions: int, design: dict[str, Any], told: str
) -> None:
    with pytest.raises(RequestError, match=told):
        reference_set(make_plan(conditions, **design))


def test_multi_day_blocks_number_days_in_blocks_that_hold_every_condition(make_plan: Any) -> None:
    plan = make_plan(scheme="multi-day-blocks", blocks=2, constraints=Constraints(block_days=3))
    periods = draw(plan, seed=6).periods
    assert [p.block for p in periods] == [1] * 6 + [2] * 6
    assert all(len({p.condition for p in periods[i : i + 3]}) == 1 for i in range(0, 12, 3))
    assert all(
        {p.condition for p in periods if p.block == b} == {"with", "without"} for b in (1, 2)
    )


@pytest.mark.parametrize("k", range(2, 8))
def test_williams_rows_let_every_condition_follow_every_other_equally_often(k: int) -> None:
    rows = williams_table(k)
    followers = [pair for row in rows for pair in pairwise(row)]
    assert {followers.count(pair) for pair in followers} == {1 if k % 2 == 0 else 2}
    assert len(set(followers)) == k * (k - 1)


@pytest.mark.parametrize(("v", "k"), [(v, k) for v in range(3, 8) for k in range(2, v)], ids=str)
def test_incomplete_tables_are_balanced(v: int, k: int) -> None:
    table = incomplete_table(v, k)
    assert table is not None
    replicates = {sum(code in row for row in table) for code in range(v)}
    meetings = {sum({a, b} <= set(row) for row in table) for a in range(v) for b in range(a)}
    assert all(len(set(row)) == k for row in table)
    assert len(set(table)) == len(table)
    # Equal replication r and equal meetings lambda = r (k - 1) / (v - 1).
    (r,), (meeting,) = replicates, meetings
    assert meeting * (v - 1) == r * (k - 1)


@pytest.mark.parametrize(
    ("conditions", "design"),
    [
        (5, {"scheme": "latin-square", "blocks": 10}),
        (6, {"scheme": "latin-square", "blocks": 6}),
        (5, {"scheme": "williams-square", "blocks": 20}),
        (6, {"scheme": "williams-square", "blocks": 6}),
        (7, {"scheme": "incomplete-blocks", "block_size": 3, "blocks": 14}),
        (6, {"scheme": "incomplete-blocks", "block_size": 3, "blocks": 10}),
        (2, {"scheme": "counterbalanced", "blocks": 40}),
    ],
)
@pytest.mark.parametrize("seed", [0, 1, 2**64])
def test_every_drawn_sequence_is_in_its_reference_set(
    make_plan: Any, conditions: int, design: dict[str, Any], seed: int
) -> None:
    plan = make_plan(conditions, **({"block_size": conditions} | design))
    possible = reference_set(plan)
    sequence = draw(plan, seed=seed).sequence
    assert possible.contains(sequence)
    # The first block then applies one condition twice, which none of these schemes does.
    assert not possible.contains((sequence[1], *sequence[1:]))


def test_relabelled_tables_refuse_a_table_that_only_looks_balanced(make_plan: Any) -> None:
    plan = make_plan(4, scheme="williams-square", block_size=4, blocks=4)
    possible = reference_set(plan)
    cyclic = "0123 1230 2301 3012".replace(" ", "")  # a Latin square, but 1 always follows 0
    assert not possible.holds(tuple(map(int, cyclic)))
