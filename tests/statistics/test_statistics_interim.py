"""Interim looks: limits on the t statistic keep the overall error where normal ones do not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm, t

from trialkit.errors import RequestError
from trialkit.statistics.interim import interim_plan, simulated_t
from trialkit.statistics.spending import alpha_spent, crossing_chances, normal_limits

# Critical |t| of an earlier simulation of other code (2e6 replicates; two printed decimals, so
# half a unit of the last one is allowed beside 4 standard errors of ours, which are largest where
# little error is spent). First looks are exact and were 0.2 % off there.
KNOWN = [
    ((4, 8), "obrien-fleming", (7.19, 2.42)),
    ((4, 8), "pocock", (3.85, 2.86)),
    ((6, 12), "obrien-fleming", (4.65, 2.24)),
    ((6, 12), "pocock", (2.97, 2.58)),
    ((4, 6, 8), "pocock", (3.84, 3.47, 3.13)),
    ((6, 9, 12), "obrien-fleming", (4.65, 2.89, 2.36)),
]


@pytest.mark.parametrize(("looks", "spending", "limits"), KNOWN)
def test_limits_against_another_simulation(looks, spending, limits):
    plan = interim_plan(looks, spending=spending)
    assert np.allclose([look.limit for look in plan.looks], limits, rtol=0.005)


@pytest.mark.parametrize(("looks", "conditions"), [((3, 6), 2), ((4, 6, 8), 2), ((4, 8), 3)])
def test_overall_error_with_draws_of_its_own(looks, conditions):
    plan = interim_plan(looks, conditions=conditions, replicates=400_000)
    limits = np.array([look.limit for look in plan.looks])
    trials = 200_000
    sizes = simulated_t(looks, conditions=conditions, replicates=trials, seed=5)
    error = float(np.mean((sizes > limits).any(axis=1)))
    # 4 Monte-Carlo errors of the check and of the plan together.
    assert abs(error - 0.05) < 4 * np.sqrt(0.05 * 0.95 / trials + plan.mc_error**2)


def test_simulated_t_is_the_t_of_fitted_blocks():
    """Three conditions, contrast by least squares with block effects, 4 blocks."""
    rng, trials = np.random.default_rng(1), 4000
    y = rng.normal(size=(trials, 4, 3))
    residual = y - y.mean(axis=2, keepdims=True) - y.mean(axis=1, keepdims=True)
    residual += y.mean(axis=(1, 2), keepdims=True)
    variance = (residual**2).sum(axis=(1, 2)) / 6
    fitted = (y[:, :, 1] - y[:, :, 0]).mean(axis=1) / np.sqrt(2 * variance / 4)
    drawn = simulated_t((4,), conditions=3, replicates=trials, seed=2)[:, 0]
    for q in (0.5, 0.9, 0.95):
        expected = t.ppf((1 + q) / 2, 6)
        error = 4 * np.sqrt(q * (1 - q) / trials)
        assert abs(np.mean(drawn <= expected) - q) < error
        assert abs(np.mean(np.abs(fitted) <= expected) - q) < error


def test_normal_limits_on_t_spend_far_too_much():
    """What the tool saves its user from: looks at 4 and 8 pairs with limits for known noise."""
    limits = np.array(normal_limits([0.5, 1.0], spending="pocock"))
    sizes = simulated_t((4, 8), replicates=50_000, seed=3)
    assert np.mean((sizes > limits).any(axis=1)) > 0.10


def test_same_seed_same_limits_whatever_was_asked_before():
    one = interim_plan([4, 8], replicates=60_000)
    interim_plan([5, 10], replicates=60_000)
    assert interim_plan([4, 8], replicates=60_000) == one
    whole = simulated_t((4, 8), replicates=100_000, seed=1)
    assert np.array_equal(simulated_t((4, 8), replicates=50_000, seed=1), whole[:50_000])


def test_a_single_look_is_the_plain_t_test():
    plan = interim_plan([8])
    assert plan.looks[0].limit == pytest.approx(t.ppf(0.975, 7), rel=1e-9)
    assert plan.looks[0].interval_level == pytest.approx(0.95, rel=1e-9)
    assert plan.mc_error == 0


def test_undeclared_looks_are_none_and_wrong_ones_refused():
    plan = interim_plan([4, 8], replicates=50_000)
    assert plan.at(6) is None
    assert plan.at(4).interval_level > 0.99
    for looks in ([1, 8], [8, 4], []):
        with pytest.raises(RequestError, match="looks"):
            interim_plan(looks)
    with pytest.raises(RequestError, match="type of spending"):
        interim_plan([4, 8], spending="linear")


@pytest.mark.parametrize("spending", ["obrien-fleming", "pocock"])
def test_normal_limits_spend_what_the_function_says(spending):
    fractions = [0.3, 0.6, 1.0]
    limits = normal_limits(fractions, spending=spending)
    spent = np.cumsum(crossing_chances(fractions, limits))
    # The root finder leaves 1e-11 in a limit.
    assert np.allclose(spent, alpha_spent(fractions, spending=spending, alpha=0.05), atol=1e-9)
    assert crossing_chances([1.0], [1.96])[0] == pytest.approx(2 * norm.sf(1.96), rel=1e-12)
