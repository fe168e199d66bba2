"""Closed forms: inverse of each other, sane at the ends, no NaN where SciPy's nct gives one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.errors import RequestError
from trialkit.planning.noncentral import (
    blocks_for_half_width,
    blocks_for_power,
    expected_half_width,
    power_complete_pairs,
    smallest_effect,
    t_power,
)


@given(pairs=st.integers(2, 40), effect=st.floats(0.0, 40.0))
@settings(max_examples=200, derandomize=True)
def test_power_is_a_chance_at_every_ordinary_argument(pairs, effect):
    power = power_complete_pairs(pairs, effect)
    assert 0.05 - 1e-9 <= power <= 1.0


@given(pairs=st.integers(2, 30), power=st.floats(0.06, 0.99), sd=st.floats(0.01, 100.0))
@settings(max_examples=100, derandomize=True)
def test_smallest_effect_has_the_wanted_power(pairs, power, sd):
    effect = smallest_effect(pairs, power=power, sd=sd)
    # brentq stops at 1e-12 in effect; the power moves at most as fast as the effect over its SE
    assert power_complete_pairs(pairs, effect, sd=sd) == pytest.approx(power, abs=1e-9)


@given(effect=st.floats(0.3, 5.0), power=st.floats(0.2, 0.95))
@settings(max_examples=60, derandomize=True)
def test_blocks_for_power_is_just_enough(effect, power):
    pairs = blocks_for_power(power, effect)
    if pairs > 2:
        assert power_complete_pairs(pairs, effect) == pytest.approx(power, abs=1e-8)
    else:
        assert power_complete_pairs(2, effect) >= power


@pytest.mark.parametrize("df", [4, 7, 9.5, 10.5, 20, 500])
def test_power_equals_both_tails_of_the_noncentral_t(df):
    for ncp in (0.3, 1.0, 2.5, 4.0):
        limit = stats.t.isf(0.025, df)
        tails = stats.nct.sf(limit, df, ncp) + stats.nct.cdf(-limit, df, ncp)
        assert t_power(ncp, df) == pytest.approx(tails, abs=1e-9)


def test_half_width_shrinks_and_its_inverse_is_just_enough():
    widths = [expected_half_width(n) for n in range(2, 60)]
    assert all(a > b for a, b in pairwise(widths))
    for n in (4, 8, 20):
        assert blocks_for_half_width(expected_half_width(n)) == n
        assert blocks_for_half_width(expected_half_width(n) * 0.999) == n + 1


def test_half_width_is_the_median_of_simulated_ones():
    d = np.random.default_rng(4).standard_normal((40_000, 6)) * np.sqrt(2)
    widths = d.std(axis=1, ddof=1) / np.sqrt(6) * stats.t.isf(0.025, 5)
    # standard error of this median: about 0.4 %
    assert expected_half_width(6) == pytest.approx(np.median(widths), rel=0.016)


def test_what_is_out_of_range_is_refused():
    with pytest.raises(RequestError, match="pairs"):
        power_complete_pairs(1, 1.0)
    with pytest.raises(RequestError, match="effect"):
        blocks_for_power(0.8, 0.0)
    with pytest.raises(RequestError, match="power"):
        smallest_effect(8, power=1.0)
    assert blocks_for_power(0.8, 1e-7) == float("inf")
