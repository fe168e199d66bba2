"""What every reference set promises: count = enumeration, membership, uniform draws."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import time
from itertools import product
from math import comb, factorial
from typing import Any

import numpy as np
import pytest
from scipy.stats import chisquare

from trialkit.design.draws import Stream
from trialkit.design.relabelled import RelabelledTables
from trialkit.design.schemes import reference_set
from trialkit.domain.plans import CalendarPlan, Constraints
from trialkit.errors import RequestError

# Small designs of every scheme: (conditions, design fields, count by the formula beside it).
SMALL = {
    "pairs": (2, {"scheme": "randomised-pairs", "blocks": 4}, 2**4),
    "blocks of 3": (3, {"scheme": "randomised-blocks", "blocks": 3}, 6**3),
    "blocks of 4": (4, {"scheme": "randomised-blocks", "blocks": 2}, 24**2),
    "pairs, early and late balanced": (
        2,
        {
            "scheme": "randomised-pairs",
            "blocks": 8,
            "periods_per_session": 2,
            "constraints": Constraints(balance="time_of_day"),
        },
        comb(8, 4),
    ),
    "counterbalanced": (2, {"scheme": "counterbalanced", "blocks": 6}, 2**3),
    "counterbalanced 3": (3, {"scheme": "counterbalanced", "blocks": 4}, 6**2),
    "multi-day": (
        2,
        {"scheme": "multi-day-blocks", "blocks": 4, "constraints": Constraints(block_days=3)},
        2**4,
    ),
    "latin 3": (3, {"scheme": "latin-square", "blocks": 3}, 12),
    "latin 3 twice": (3, {"scheme": "latin-square", "blocks": 6}, 12**2),
    "latin 4": (4, {"scheme": "latin-square", "blocks": 4}, 576),
    "williams 2": (2, {"scheme": "williams-square", "blocks": 4}, 2**2),
    "williams 3": (3, {"scheme": "williams-square", "blocks": 6}, factorial(6)),
    # (K - 1)! tables (K of the K! relabellings only shift the rows), rows in any order.
    "williams 4": (4, {"scheme": "williams-square", "blocks": 4}, 6 * factorial(4)),
    "incomplete 3 in 2": (
        3,
        {"scheme": "incomplete-blocks", "blocks": 3, "block_size": 2},
        factorial(3) * 2**3,
    ),
    "phase change": (
        2,
        {
            "scheme": "phase-change",
            "blocks": 1,
            "block_size": 30,
            "constraints": Constraints(min_phase=5),
        },
        21,
    ),
    "restricted, free": (2, {"scheme": "restricted", "blocks": 4}, comb(8, 4)),
    # A: 2 of 6, then B: 2 of 4.
    "restricted 3, free": (3, {"scheme": "restricted", "blocks": 2}, comb(6, 2) * comb(4, 2)),
    # Three slots of the week of three sessions each hold every condition once.
    "restricted over the week": (
        3,
        {"scheme": "restricted", "blocks": 3, "constraints": Constraints(balance="weekday")},
        6**3,
    ),
    "fixed": (2, {"scheme": "fixed", "blocks": 2, "order": ("with", "without") * 2}, 1),
}
WEEK = CalendarPlan(weekdays=(0, 2, 4), window=(time(17), time(19)))


@pytest.fixture(params=SMALL.values(), ids=SMALL)
def small(request: Any, make_plan: Any) -> tuple[Any, int]:
    conditions, design, count = request.param
    plan = make_plan(conditions, **({"block_size": conditions} | design))
    return reference_set(replace(plan, calendar=WEEK)), count


def test_the_enumerated_count_is_the_formula(small: tuple[Any, int]) -> None:
    possible, count = small
    sequences = list(possible.sequences())
    assert possible.count() == count
    assert len(sequences) == len(set(sequences)) == count
    assert possible.array().shape == (count, possible.length)


def test_every_enumerated_and_every_drawn_sequence_is_in_the_set(small: tuple[Any, int]) -> None:
    possible, _ = small
    assert all(possible.contains(sequence) for sequence in possible.sequences())
    stream = Stream(7, "order")
    assert all(possible.holds(possible.pick(stream)) for _ in range(50))


def test_membership_is_exactly_enumeration(small: tuple[Any, int]) -> None:
    """Among all words over the conditions (where they are few), only the enumerated are in."""
    possible, count = small
    k, n = len(possible.conditions), possible.length
    if k**n <= 70_000:
        assert sum(map(possible.holds, product(range(k), repeat=n))) == count


def test_the_draw_is_uniform_over_the_set(small: tuple[Any, int]) -> None:
    # Deterministic stream; 0.001 is the stated error of the chi-square test, 10 draws a sequence.
    possible, count = small
    drawn = Counter(map(tuple, possible.sample(Stream(11, "order"), 10 * count).tolist()))
    assert set(drawn) <= set(possible.walk())
    if count > 1:
        assert chisquare([drawn[codes] for codes in possible.walk()]).pvalue > 0.001


def test_the_smallest_p_is_reached_and_not_beaten(small: tuple[Any, int]) -> None:
    check_smallest_p(small[0])


@pytest.mark.parametrize(("conditions", "size", "blocks"), [(4, 3, 4), (4, 2, 6)])
def test_the_smallest_p_of_incomplete_blocks(
    make_plan: Any, conditions: int, size: int, blocks: int
) -> None:
    plan = make_plan(conditions, scheme="incomplete-blocks", block_size=size, blocks=blocks)
    check_smallest_p(reference_set(plan))


def check_smallest_p(possible: Any) -> None:
    """Whatever was measured, no test beats it; some values reach it (contrast of codes 1 and 0)."""
    weights = adjusted_weights(possible)
    reached = []
    for row in weights[:: max(1, len(weights) // 40)]:
        # Values equal to the weights themselves give the largest difference this order can give.
        size = np.abs(weights @ row)
        reached.append(np.mean(size >= size.max() - 1e-9))
    assert min(reached) == pytest.approx(possible.smallest_p, rel=1e-12)


def adjusted_weights(possible: Any) -> Any:
    """Weights of the difference of conditions 1 and 0, adjusted for incomplete blocks.

    One row for each sequence, by least squares on condition and block.
    """
    rows = possible.array()
    incomplete = isinstance(possible, RelabelledTables) and possible.shuffled
    block = np.arange(possible.length) // (len(possible.table[0]) if incomplete else rows.shape[1])
    columns = [rows == code for code in range(1, len(possible.conditions))]
    columns += [np.broadcast_to(block == b, rows.shape) for b in range(block.max() + 1)]
    return np.linalg.pinv(np.stack(columns, axis=-1).astype(float))[:, 0, :]


def test_sequences_of_wrong_length_or_with_unknown_conditions_are_out(
    small: tuple[Any, int],
) -> None:
    possible, _ = small
    first = next(possible.sequences())
    assert not possible.contains(first[:-1])
    assert not possible.contains((*first[:-1], "coffee"))


def test_a_large_set_is_counted_and_drawn_but_not_listed(make_plan: Any) -> None:
    possible = reference_set(make_plan(blocks=60))
    assert possible.count() == 2**60
    assert possible.sample(Stream(1, "order"), 3).shape == (3, 120)
    with pytest.raises(RequestError, match="sample"):
        possible.array()
