"""Series of athletes: exact where balanced, calibrated elsewhere, honest about individuals."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import f_oneway, ttest_1samp

from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.bayes import NoisePrior
from trialkit.statistics.series import mean_effect, pool_series
from trialkit.statistics.series_model import (
    Effects,
    beliefs,
    restricted_fit,
    restricted_log_likelihood,
    restricted_spread,
    spread_interval,
)


def _series(rng, sizes, *, spread, mean=1.0, noise=1.0):
    truth = rng.normal(mean, spread, len(sizes))
    pairs = [
        truth[i] + rng.normal(0, noise * np.sqrt(2), n) for i, n in enumerate(sizes)
    ]  # fmt: skip
    return truth, {f"a{i}": d for i, d in enumerate(pairs)}


@pytest.mark.parametrize("spread", [0.0, 2.0])
def test_balanced_mean_is_the_t_on_athletes_means(spread):
    _, pairs = _series(np.random.default_rng(1), [5] * 7, spread=spread)
    found = pool_series(pairs).mean
    plain = ttest_1samp([d.mean() for d in pairs.values()], 0.0)
    assert found.df == pytest.approx(6, rel=1e-12)
    assert found.p == pytest.approx(plain.pvalue, rel=1e-9)
    assert found.ci.low == pytest.approx(plain.confidence_interval().low, rel=1e-9)


@pytest.mark.parametrize("sizes", [[5] * 6, [2, 3, 5, 8]])
def test_heterogeneity_p_is_that_of_the_f_test(sizes):
    _, pairs = _series(np.random.default_rng(2), sizes, spread=0.7)
    assert pool_series(pairs).heterogeneity_p == pytest.approx(
        f_oneway(*pairs.values()).pvalue, rel=1e-8
    )


def test_balanced_spread_is_the_difference_of_mean_squares():
    _, pairs = _series(np.random.default_rng(3), [4] * 8, spread=2.0)
    means = np.array([d.mean() for d in pairs.values()])
    within = np.mean([d.var(ddof=1) for d in pairs.values()])
    expected = np.sqrt(means.var(ddof=1) - within / 4)
    assert pool_series(pairs).sd_individual.value == pytest.approx(expected, rel=1e-7)


@settings(max_examples=25, derandomize=True, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 9))
def test_no_spread_has_a_higher_likelihood_than_the_one_returned(seed, athletes):
    rng = np.random.default_rng(seed)
    variance = rng.uniform(0.1, 2, athletes)
    value = rng.normal(0, np.sqrt(variance + rng.uniform(0, 2)))
    best = restricted_spread(value, variance)
    tried = np.concatenate(([best], np.linspace(0, 6, 400)))
    heights = restricted_log_likelihood(value, np.tile(variance, (401, 1)), tried)
    assert heights[0] >= heights[1:].max() - 1e-9


def test_athletes_alike_within_noise_have_zero_spread_and_say_so():
    pairs = {name: [1.0 + e, 1.0 - e, 1.1 * e] for e, name in enumerate("abcdef", 1)}
    found = pool_series(pairs)
    assert found.sd_individual.value == 0
    assert found.sd_individual.ci.low == 0
    assert any("do not show that athletes differ" in note for note in found.notes)
    shrunken = [i.shrunken for i in found.individuals]
    raw = [i.raw for i in found.individuals]
    assert np.ptp(shrunken) <= np.ptp(raw)


def test_clear_differences_are_not_called_noise():
    _, pairs = _series(np.random.default_rng(4), [8] * 6, spread=6.0)
    found = pool_series(pairs)
    assert found.sd_individual.ci.low > 0
    assert not any("do not show" in note for note in found.notes)
    for person in found.individuals:
        assert person.shrunken == pytest.approx(person.raw, abs=0.3)


def test_shrunken_beliefs_equal_a_fine_grid():
    """Three effects with known noise, the spread integrated on a plain grid."""
    value, variance = np.array([1.0, 3.0, 2.2]), np.array([0.5, 0.8, 0.3])
    each, following = beliefs(Effects(value, variance, 1.0, inf))
    psi = np.linspace(1e-4, 400, 400_001)
    log_weight = restricted_log_likelihood(value, variance[None, :], psi)
    weight = np.exp(log_weight - log_weight.max()) / (2 * np.sqrt(0.5) + psi)
    weight /= weight.sum()
    precision = 1 / (psi[:, None] ** 2 + variance)
    mean = (precision * value).sum(axis=1) / precision.sum(axis=1)
    own = psi**2 / (psi**2 + 0.5)
    # The grid's first step and its end at 400 leave about 1e-4.
    assert each[0].mean == pytest.approx(weight @ (own * 1.0 + (1 - own) * mean), abs=3e-4)
    assert following.mean == pytest.approx(weight @ mean, abs=3e-4)


def test_borrowed_noise_makes_single_pairs_answerable():
    single = {"a": [1.0], "b": [3.0], "c": [2.5]}
    with pytest.raises(UnanswerableError, match="told from differences between athletes"):
        pool_series(single)
    found = pool_series(single, noise=NoisePrior(1.0, 12))
    assert found.noise_df == 12
    assert found.typical_error == pytest.approx(1.0)


def test_own_noise_is_said_and_unequal_noise_is_warned_of():
    rng = np.random.default_rng(5)
    pairs = {f"a{i}": rng.normal(1, s, 8) for i, s in enumerate([0.3, 0.3, 4.0, 4.0, 0.3])}
    pooled, own = pool_series(pairs), pool_series(pairs, pooled=False)
    assert pooled.unequal_noise_p < 0.001
    assert any("differ in noise" in note for note in pooled.notes)
    assert any("not pooled" in note for note in own.notes)
    errors = [person.raw_se for person in own.individuals]
    assert errors[2] > 5 * errors[0]


def test_unusable_series_are_refused():
    with pytest.raises(UnanswerableError, match="two"):
        pool_series({"a": [1.0, 2.0], "b": []})
    with pytest.raises(UnanswerableError, match="scatter"):
        pool_series({"a": [1.0, 3.0], "b": [3.0, 1.0]})
    with pytest.raises(RequestError, match="athlete a"):
        pool_series({"a": [np.nan, 2.0], "b": [1.0]})


@pytest.mark.parametrize(
    ("sizes", "spread"), [([4] * 5, 0.0), ([4] * 8, 1.0), ([2, 3, 4, 5, 6, 8], 1.0)]
)
def test_error_of_the_mean_and_cover_of_the_spread(sizes, spread):
    """4 Monte-Carlo errors; the spread's interval may cover too much where the spread is zero."""
    rng, trials, noise = np.random.default_rng(6), 300, 2.0
    shape, df = 1 / np.array(sizes), float(sum(sizes) - len(sizes))
    wrong = covered = 0
    for _ in range(trials):
        value = rng.normal(0, np.sqrt(spread**2 + noise * shape))
        effects = Effects(value, shape, noise * rng.chisquare(df) / df, df)
        mean = mean_effect(effects, *restricted_fit(effects), level=0.95)
        wrong += not mean.ci.low <= 0 <= mean.ci.high
        ends, _ = spread_interval(effects, 0.95)
        covered += ends.low <= spread <= ends.high
    mc_error = np.sqrt(0.05 * 0.95 / trials)
    assert abs(wrong / trials - 0.05) < 4 * mc_error
    assert 0.95 - 4 * mc_error < covered / trials
    assert covered / trials < (1 if spread == 0 else 0.95 + 4 * mc_error)


@pytest.mark.parametrize("spread", [0.0, 1.0, 3.0])
def test_cover_of_individual_and_prediction_intervals(spread):
    """Six unequal athletes. The design allows 0.93: a prior on the spread is not exact."""
    rng, trials, sizes = np.random.default_rng(7), 250, np.array([2, 3, 4, 5, 6, 8])
    df = float(sizes.sum() - sizes.size)
    own = following = 0.0
    for _ in range(trials):
        truth = rng.normal(0, spread, sizes.size)
        value = rng.normal(truth, np.sqrt(2 / sizes))
        effects = Effects(value, 1 / sizes, 2 * rng.chisquare(df) / df, df)
        each, new = beliefs(effects)
        inside = [0.025 < b.chance_below(x) < 0.975 for b, x in zip(each, truth, strict=True)]
        own += float(np.mean(inside))
        following += 0.025 < new.chance_below(rng.normal(0, spread)) < 0.975
    mc_error = np.sqrt(0.05 * 0.95 / trials)
    assert own / trials > 0.93 - 4 * mc_error / np.sqrt(sizes.size)
    assert following / trials > 0.93 - 4 * mc_error
