from __future__ import annotations

import numpy as np
import pytest

from trialkit.domain.observations import Observations
from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.fixed_effects import (
    Terms,
    assemble,
    condition_columns,
    nuisance_columns,
    place_in_block,
    previous_condition,
)
from trialkit.statistics.mixed import fit_mixed
from trialkit.statistics.paired import fit_fixed_blocks


def trial(orders: str, values: list[float] | None = None, **left_out: bool) -> Observations:
    """Pairs or larger blocks written as 'AB BA AB'."""
    blocks = orders.split()
    condition = np.array(list("".join(blocks)))
    block = np.repeat([f"b{i:02d}" for i in range(len(blocks))], [len(b) for b in blocks])
    n = condition.size
    rng = np.random.default_rng(7)
    return Observations(
        np.array(values) if values else rng.normal(size=n),
        condition,
        block,
        reference="A",
        position=None
        if left_out.get("position")
        else np.concatenate([np.arange(1.0, len(b) + 1) for b in blocks]),
        time=None if left_out.get("time") else np.arange(1.0, n + 1),
    )


def test_contrast_weights_between_two_other_conditions() -> None:
    columns = condition_columns(trial("ABC BCA CAB"))
    assert columns.contrast("B", "A").tolist() == [1, 0]
    assert columns.contrast("B", "C").tolist() == [1, -1]
    assert columns.joint().tolist() == [[1, 0], [0, 1]]


def test_one_order_and_a_place_effect_is_refused() -> None:
    with pytest.raises(UnanswerableError, match="orders do not vary") as caught:
        fit_fixed_blocks(trial("AB AB AB AB AB"), Terms(period_effect=True))
    assert caught.value.exit_status == 4


def test_place_and_trend_are_one_column_inside_consecutive_pairs() -> None:
    obs = trial("AB BA AB BA BA")
    both = fit_fixed_blocks(obs, Terms(period_effect=True, trend=True))
    one = fit_fixed_blocks(obs, Terms(period_effect=True))
    assert both.left_out == ("trend",)
    assert both.contrast("B", "A") == one.contrast("B", "A")
    # Between blocks they are two different things.
    assert fit_mixed(obs, Terms(period_effect=True, trend=True)).left_out == ()


def test_missing_columns_are_all_reported_at_once() -> None:
    obs = trial("AB BA AB", position=True, time=True)
    with pytest.raises(RequestError) as caught:
        nuisance_columns(obs, Terms(period_effect=True, trend=True, carryover=True))
    assert [p.where for p in caught.value.problems] == ["period effect", "trend", "carryover"]


def test_previous_condition_follows_time_across_blocks() -> None:
    obs = trial("AB BA")
    assert previous_condition(obs) == [None, "A", "B", "B"]
    turned = obs.keep(np.array([True] * 4))
    shuffled = Observations(
        turned.value[::-1],
        turned.condition[::-1],
        turned.block[::-1],
        reference="A",
        time=np.array([4.0, 3.0, 2.0, 1.0]),
    )
    assert previous_condition(shuffled) == ["B", "B", "A", None]


def test_previous_condition_stays_in_the_block_without_time() -> None:
    assert previous_condition(trial("AB BA", time=True)) == [None, "A", None, "B"]


def test_carryover_is_taken_out() -> None:
    # y is exactly condition + 3 x (previous condition is B): adjusted, the effect is 2.
    obs = trial("AB BA BA AB BA AB AB BA")
    before = np.array([c == "B" for c in previous_condition(obs)])
    noise = 0.01 * np.random.default_rng(1).normal(size=obs.n)
    values = 10 + 2.0 * (obs.condition == "B") + 3.0 * before + noise
    obs = trial("AB BA BA AB BA AB AB BA", values.tolist())
    adjusted = fit_mixed(obs, Terms(carryover=True)).contrast("B", "A")
    ignored = fit_mixed(obs, Terms()).contrast("B", "A")
    assert adjusted.estimate == pytest.approx(2.0, abs=0.05)
    assert abs(ignored.estimate - 2.0) > 0.5


def test_condition_equal_to_the_block_is_refused_with_fixed_blocks_only() -> None:
    obs = trial("AA BB AA BB")
    with pytest.raises(UnanswerableError):
        fit_fixed_blocks(obs, Terms())
    assert fit_mixed(obs, Terms()).contrast("B", "A").df < 3


def test_running_period_numbers_become_places() -> None:
    block = np.array(list("aabbcc"))
    assert place_in_block(np.arange(1.0, 7.0), block).tolist() == [1, 2, 1, 2, 1, 2]
    places = np.array([1.0, 2, 1, 2, 2, 1])
    assert place_in_block(places, block).tolist() == places.tolist()
    with pytest.raises(RequestError, match="place in the block"):
        place_in_block(np.array([1.0, 2.0, 3.0, 5.0, 6.0, 9.0]), np.array(list("abbcca")))


def test_every_column_of_a_full_model_is_named() -> None:
    obs = trial("ABC CAB BCA ACB")
    columns, left_out = assemble(
        nuisance_columns(obs, Terms(period_effect=True, trend=True, carryover=True)),
        condition_columns(obs),
        np.ones((obs.n, 1)),
    )
    assert left_out == []
    assert columns.names == (
        "start 1",
        "place 2 in block",
        "place 3 in block",
        "trend",
        "carryover of B",
        "carryover of C",
        "condition B",
        "condition C",
    )
    assert np.linalg.matrix_rank(columns.matrix) == 8


def test_places_that_come_back_in_other_blocks_are_places_even_where_none_is_whole() -> None:
    # Blocks of three with one period missed in each: no block shows that there are three places.
    places = np.array([2.0, 3.0, 1.0, 3.0, 1.0, 2.0])
    assert place_in_block(places, np.array(list("aabbcc"))).tolist() == places.tolist()


def test_repeats_of_one_period_do_not_follow_themselves() -> None:
    obs = Observations(
        np.arange(6.0),
        np.array(list("AABBBA")),
        np.array(list("aaaabb")),
        reference="A",
        time=np.array([1.0, 1, 2, 2, 3, 4]),
    )
    assert previous_condition(obs) == [None, None, "A", "A", "B", "B"]
