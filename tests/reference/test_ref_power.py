"""Power of t tests against R's power.t.test; see reference_data/r_power_t_test/SOURCE.md."""

from __future__ import annotations

import json
from math import sqrt
from pathlib import Path

import pytest

from trialkit.design.detectable import detectable_effect, power_of_t
from trialkit.design.precision import complete_blocks

FOLDER = Path(__file__).parents[2] / "reference_data" / "r_power_t_test"
EXPECTED = json.loads((FOLDER / "expected.json").read_text(encoding="utf-8"))
PAIRED = [key for key in EXPECTED if key.startswith("paired")]
# R stops its search for n at 1e-4 relative and leaves out the far tail (below 1e-5 here).
REL = 1e-4


@pytest.mark.parametrize("key", PAIRED)
def test_detectable_effect_at_the_published_number_of_pairs(key: str) -> None:
    dz, power = (float(part) for part in key.removeprefix("paired_n_dz").split("_p"))
    # A difference of two measurements has an SD of sqrt(2) typical errors.
    effect = detectable_effect(complete_blocks(EXPECTED[key]), power=power / 100)
    assert effect / sqrt(2) == pytest.approx(dz, rel=REL)


@pytest.mark.parametrize("key", PAIRED)
def test_the_published_number_rounded_up_is_the_fewest(key: str) -> None:
    dz, power = (float(part) for part in key.removeprefix("paired_n_dz").split("_p"))
    few, enough = (complete_blocks(int(EXPECTED[key]) + i) for i in (0, 1))
    assert detectable_effect(enough, power=power / 100) <= dz * sqrt(2)
    assert detectable_effect(few, power=power / 100) > dz * sqrt(2)


def test_two_sample_power() -> None:
    power = power_of_t(1 / sqrt(2 / 20), 38)
    assert power == pytest.approx(EXPECTED["two_sample_n20_d1_power"], rel=REL)
    n = EXPECTED["two_sample_power90_d1_n"]
    assert power_of_t(1 / sqrt(2 / n), 2 * n - 2) == pytest.approx(0.9, rel=REL)
