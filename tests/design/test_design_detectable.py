"""Power and detectable effects where common noncentral t routines fail."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trialkit.design.detectable import blocks_needed, detectable_effect, power_of_t
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
def test_blocks_needed_is_the_fewest_that_find_it(effect: float) -> None:
    blocks = blocks_needed(effect)
    assert blocks is not None
    assert detectable_effect(blocks) <= effect
    if blocks > 2:
        assert detectable_effect(blocks - 1) > effect


def test_no_number_of_blocks_finds_next_to_nothing() -> None:
    assert blocks_needed(0.001) is None
    assert blocks_needed(0.0) is None


def test_one_block_has_no_detectable_effect() -> None:
    with pytest.raises(UnanswerableError, match="two blocks"):
        detectable_effect(1)
