"""Planning by power against R and against the form of Julious 2004; see the SOURCE.md files.

Closed forms: 1e-4 relative for R's numbers (its search for n stops there), exact whole numbers for
the loop over n. Simulation: within 4 Monte-Carlo errors.
"""

from __future__ import annotations

import json
from math import ceil, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from trialkit.design.blocks import ShuffledBlocks
from trialkit.planning.methods import Declared, analyse
from trialkit.planning.model_columns import Terms
from trialkit.planning.noncentral import (
    blocks_for_power,
    power_complete_pairs,
    smallest_effect,
    t_power,
)
from trialkit.planning.trials import Truth, simulate

DATA = Path(__file__).parents[2] / "reference_data"
R = json.loads((DATA / "r_power_t_test" / "expected.json").read_text(encoding="utf-8"))
CROSSOVER = json.loads((DATA / "crossover_sample_size" / "expected.json").read_text("utf-8"))
PAIRED = {
    key: tuple(float(part) for part in key.removeprefix("paired_n_dz").split("_p"))
    for key in R
    if key.startswith("paired")
}
TOTALS = {
    float(key.removeprefix("n_total_std_diff_")): n
    for key, n in CROSSOVER.items()
    if key.startswith("n_total")
}
REPLICATES = 20_000


@pytest.mark.parametrize("key", PAIRED)
def test_pairs_for_power(key: str) -> None:
    dz, power = PAIRED[key]
    # a difference of two measurements has an SD of sqrt(2) typical errors
    assert blocks_for_power(power / 100, dz * sqrt(2)) == pytest.approx(R[key], rel=1e-4)


@pytest.mark.parametrize("key", PAIRED)
def test_smallest_effect(key: str) -> None:
    dz, power = PAIRED[key]
    assert smallest_effect(R[key], power=power / 100) == pytest.approx(dz * sqrt(2), rel=1e-4)


def test_power_of_two_groups() -> None:
    assert t_power(1 / sqrt(2 / 20), 38) == pytest.approx(R["two_sample_n20_d1_power"], rel=1e-4)
    n = R["two_sample_power90_d1_n"]
    assert t_power(1 / sqrt(2 / n), 2 * n - 2) == pytest.approx(0.9, rel=1e-4)


@pytest.mark.parametrize("key", [k for k in PAIRED if R[k] < 20])
def test_simulated_trials_reach_the_published_power(key: str) -> None:
    dz, power = PAIRED[key]
    pairs = ceil(R[key])
    trials = simulate(
        ShuffledBlocks(("a", "b"), 2 * pairs),
        Truth(),
        block_size=2,
        trials=REPLICATES,
        rng=np.random.default_rng(7),
    )
    answers = analyse(trials, Declared("paired", 0.95, Terms(), None))
    found = answers.intervals.moved(dz * sqrt(2)).excludes_zero.mean()
    wanted = power_complete_pairs(pairs, dz * sqrt(2))
    assert wanted >= power / 100 > power_complete_pairs(pairs - 1, dz * sqrt(2))
    assert abs(found - wanted) < 4 * sqrt(wanted * (1 - wanted) / REPLICATES)


@pytest.mark.parametrize(("difference", "total"), TOTALS.items())
def test_crossover_sizes(difference: float, total: int) -> None:
    def power(n: int) -> float:
        return t_power(difference / sqrt(2 / n), n - 2)

    assert power(total) >= 0.9 > power(total - 2)


def test_normal_approximation_of_a_crossover() -> None:
    z = special.ndtri(0.975) + special.ndtri(0.8)
    n = CROSSOVER["chow_n_per_sequence_eps10_sdm20_p80"]
    assert z**2 * 0.2**2 / (2 * 0.1**2) == pytest.approx(n, rel=1e-8)
    # the t needs a little more: one more degree of freedom's worth of people
    exact = next(m for m in range(4, 60) if t_power(0.1 / (0.2 / sqrt(2 * m)), 2 * m - 2) >= 0.8)
    assert n < exact <= n + 2
