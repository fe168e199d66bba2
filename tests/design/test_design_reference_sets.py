"""What every reference set promises: count = enumeration, membership, uniform draws."""

from __future__ import annotations

from collections import Counter
from itertools import product
from typing import Any

import numpy as np
import pytest
from scipy.stats import chisquare

from trialkit.design.draws import Stream
from trialkit.design.schemes import reference_set
from trialkit.errors import RequestError

# Small designs of every scheme: (conditions, design fields, count by the formula written beside).
SMALL = {
    "pairs": (2, {"scheme": "randomised-pairs", "blocks": 4}, 2**4),
    "blocks of 3": (3, {"scheme": "randomised-blocks", "blocks": 3}, 6**3),
    "blocks of 4": (4, {"scheme": "randomised-blocks", "blocks": 2}, 24**2),
}


@pytest.fixture(params=SMALL.values(), ids=SMALL)
def small(request: Any, make_plan: Any) -> tuple[Any, int]:
    conditions, design, count = request.param
    return reference_set(make_plan(conditions, **design)), count


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
    assert chisquare([drawn[codes] for codes in possible.walk()]).pvalue > 0.001


def test_the_smallest_p_is_reached_and_not_beaten(small: tuple[Any, int]) -> None:
    """Whatever was measured, no test beats it; some values reach it (contrast of codes 1 and 0)."""
    possible, count = small
    rows = possible.array()
    contrast = (rows == 1).astype(float) - (rows == 0)
    reached = []
    for row in contrast[:: max(1, count // 40)]:
        # Values equal to the contrast itself give the largest difference this order can give.
        size = np.abs(contrast @ row)
        reached.append(np.mean(size >= size.max() - 1e-9))
    assert min(reached) == pytest.approx(possible.smallest_p, rel=1e-12)


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
