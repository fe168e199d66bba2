"""Power and detectable effects where common noncentral t routines fail."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from trialkit.design.allocation import draw
from trialkit.design.detectable import blocks_needed, detectable_effect, power_of_t
from trialkit.design.precision import Precision, complete_blocks, precision_of
from trialkit.domain.plans import Constraints
from trialkit.errors import UnanswerableError


@pytest.mark.parametrize("df", [1, 2, 3, 5, 7, 10, 23, 100])
def test_power_is_a_number_and_never_falls_with_the_effect(df: int) -> None:
    curve = [power_of_t(x, df) for x in np.linspace(0, 120, 800)]
    assert not any(map(math.isnan, curve))
    # The noncentral F is good to about 1e-12 here.
    assert np.all(np.diff(curve) >= -1e-9)
    assert curve[0] == pytest.approx(0.05, abs=1e-12)


def test_power_agrees_with_simulated_t_tests() -> None:
    # 100 000 replicates: 4 Monte-Carlo errors are 4 * sqrt(.49 * .51 / 1e5) = 0.0063.
    rng = np.random.default_rng(5)
    d = rng.standard_normal((100_000, 4)) + 2 / math.sqrt(2)
    t = d.mean(axis=1) / (d.std(axis=1, ddof=1) / 2)
    simulated = float(np.mean(np.abs(t) > 3.182446305284263))
    assert power_of_t(2 / math.sqrt(2 / 4), 3) == pytest.approx(simulated, abs=0.0063)


@pytest.mark.parametrize("effect", [0.5, 1.0, 2.0, 5.0, 40.0])
def test_blocks_needed_are_the_fewest_that_find_it(make_plan: Any, effect: float) -> None:
    blocks = blocks_needed(make_plan(), effect)
    assert blocks is not None
    assert detectable_effect(complete_blocks(blocks)) <= effect
    if blocks > 2:
        assert detectable_effect(complete_blocks(blocks - 1)) > effect


def test_no_number_of_blocks_finds_next_to_nothing(make_plan: Any) -> None:
    assert blocks_needed(make_plan(), 0.001) is None
    assert blocks_needed(make_plan(), 0.0) is None


def test_blocks_needed_fit_the_scheme(make_plan: Any) -> None:
    plan = make_plan(3, scheme="williams-square", blocks=6)
    # R: 1 - pf(qf(.95, 1, 2 * (n - 1)), 1, 2 * (n - 1), ncp = 1.1^2 * n / 2) is 0.79994 for n = 14
    # complete blocks of three and 0.82837 for 15; squares come in sixes.
    assert blocks_needed(make_plan(3, scheme="randomised-blocks"), 1.1) == 15
    assert blocks_needed(plan, 1.1) == 18
    assert blocks_needed(make_plan(scheme="fixed", order=("with", "without") * 8), 1.0) is None


def test_one_block_has_no_detectable_effect() -> None:
    with pytest.raises(UnanswerableError, match="two blocks"):
        detectable_effect(complete_blocks(1))


# (conditions, design): every scheme against least squares on a drawn sequence.
SCHEMES = [
    (2, {"scheme": "randomised-pairs", "blocks": 5}),
    (3, {"scheme": "randomised-blocks", "blocks": 4}),
    (4, {"scheme": "latin-square", "blocks": 4}),
    (2, {"scheme": "counterbalanced", "blocks": 6}),
    (3, {"scheme": "incomplete-blocks", "blocks": 6, "block_size": 2}),
    (7, {"scheme": "incomplete-blocks", "blocks": 14, "block_size": 3}),
    (2, {"scheme": "restricted", "blocks": 6}),
    (3, {"scheme": "restricted", "blocks": 2, "block_size": 6}),
    (
        2,
        {
            "scheme": "fixed",
            "blocks": 1,
            "block_size": 9,
            "order": ("with",) * 3 + ("without",) * 6,
        },
    ),
    (2, {"scheme": "fixed", "blocks": 4, "order": ("with", "without") * 4}),
    (2, {"scheme": "multi-day-blocks", "blocks": 4, "constraints": Constraints(block_days=3)}),
]  # fmt: skip
WITHOUT_BLOCKS = ("restricted", "fixed")


@pytest.mark.parametrize(("conditions", "design"), SCHEMES, ids=str)
def test_precision_is_that_of_least_squares(
    make_plan: Any, conditions: int, design: dict[str, Any]
) -> None:
    plan = make_plan(conditions, **({"block_size": conditions} | design))
    precision = precision_of(plan)
    periods = draw(plan, seed=8).periods
    days = plan.design.constraints.block_days or 1
    # Days of one condition in a block enter as their mean.
    means = periods[::days]
    columns = [[p.condition == name for p in means] for name in plan.condition_names[1:]]
    blocked = plan.design.scheme not in WITHOUT_BLOCKS or plan.design.block_size == conditions
    if blocked and plan.design.scheme != "restricted":
        columns += [[p.block == b for p in means] for b in range(1, plan.design.blocks + 1)]
    else:
        columns.append([True] * len(means))
    X = np.array(columns, dtype=float).T
    covariance = np.linalg.pinv(X.T @ X)
    assert precision.variance == pytest.approx(covariance[0, 0] / days, rel=1e-9)
    assert precision.df == len(means) - np.linalg.matrix_rank(X)


def test_a_change_of_phase_is_at_best_in_the_middle(make_plan: Any) -> None:
    plan = make_plan(scheme="phase-change", blocks=1, block_size=20)
    assert precision_of(plan) == Precision(variance=1 / 10 + 1 / 10, df=18)
