"""Reliability, agreement and single comparisons: properties, other libraries, calibration."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct

from trialkit.domain.outcomes import Better
from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.agreement import limits_of_agreement
from trialkit.statistics.anova import one_way, two_way
from trialkit.statistics.comparison import compare
from trialkit.statistics.intraclass import intraclass_correlations
from trialkit.statistics.reliability import reliability


def _table(seed: int, n: int = 12, k: int = 3, noise: float = 2.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 100 + rng.normal(0, 8, (n, 1)) + np.arange(k) + rng.normal(0, noise, (n, k))


def test_two_trials_give_the_sd_of_change_over_root_two():
    table = _table(1, k=2)
    result = reliability(table)
    change = table[:, 1] - table[:, 0]
    assert result.typical_error == pytest.approx(change.std(ddof=1) / np.sqrt(2), rel=1e-12)
    assert result.df == 11
    assert result.change_in_mean[0].mean == pytest.approx(change.mean(), rel=1e-12)
    assert result.limits_of_agreement.bias == pytest.approx(change.mean(), rel=1e-12)
    assert result.mdc95 == pytest.approx(1.959963985 * change.std(ddof=1), rel=1e-9)


@settings(max_examples=25, derandomize=True, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 50), st.floats(-500, 500))
def test_unit_scales_noise_and_shifts_change_nothing_but_the_cv(seed, scale, shift):
    table = _table(seed)
    one, other = reliability(table), reliability(table * scale + shift)
    assert other.typical_error == pytest.approx(scale * one.typical_error, rel=1e-7)
    assert other.icc_3_1.value == pytest.approx(one.icc_3_1.value, rel=1e-7)
    assert other.icc_2_1.ci.low == pytest.approx(one.icc_2_1.ci.low, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("n", "k", "noise"), [(6, 4, 2.0), (15, 2, 6.0), (9, 3, 20.0)])
def test_correlations_equal_pingouin(n, k, noise):
    table = _table(n, n, k, noise)
    long = pd.DataFrame(table).melt(ignore_index=False).reset_index()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what pingouin asks of pandas is not ours to mend
        theirs = pingouin.intraclass_corr(long, targets="index", raters="variable", ratings="value")
    ours = intraclass_correlations(two_way(table))
    mine = [
        ours.icc_1_1, ours.icc_2_1, ours.icc_3_1, ours.icc_1_k, ours.icc_2_k, ours.icc_3_k,
    ]  # fmt: skip
    column = next(c for c in theirs.columns if c.startswith("CI95"))
    for own, value, ci in zip(mine, theirs["ICC"], theirs[column], strict=True):
        assert own.value == pytest.approx(value, rel=1e-9)
        # pingouin rounds its intervals to two digits
        assert np.allclose([own.ci.low, own.ci.high], np.asarray(ci, dtype=float), atol=0.00501)


def test_missing_cells_are_used_and_said():
    table = _table(3)
    table[0, 1] = table[5, 2] = np.nan
    result = reliability(table)
    subject, trial = np.nonzero(np.isfinite(table))
    design = np.hstack((subject[:, None] == np.arange(12), trial[:, None] == np.arange(1, 3)))
    fit = np.linalg.lstsq(design.astype(float), table[subject, trial], rcond=None)
    assert result.df == 34 - 14
    assert result.typical_error == pytest.approx(np.sqrt(fit[1][0] / 20), rel=1e-9)
    complete = intraclass_correlations(two_way(np.delete(table, [0, 5], axis=0)))
    assert result.icc_3_1 == complete.icc_3_1
    assert any("2 of 36 cells" in note for note in result.notes)
    assert not reliability(_table(3)).notes


def test_what_cannot_be_told_is_refused_or_left_empty():
    with pytest.raises(UnanswerableError, match="two subjects"):
        reliability(np.array([[1.0, 2.0]]))
    with pytest.raises(UnanswerableError, match="two subjects"):
        reliability(np.array([[1.0, np.nan], [2.0, np.nan], [3.0, np.nan]]))
    with pytest.raises(RequestError, match="rows of numbers"):
        reliability(np.array([[1.0, np.inf], [2.0, 3.0]]))
    with pytest.raises(UnanswerableError, match="too coarse"):
        reliability(np.array([[10.0, 11.0], [20.0, 21.0], [35.0, 36.0]]))
    below_zero = reliability(_table(4) - 100)
    assert below_zero.cv_percent is None
    assert below_zero.cv_percent_ci is None


def test_growing_noise_is_seen_and_even_noise_is_not():
    rng = np.random.default_rng(5)
    level = np.exp(rng.normal(5, 0.6, (40, 1)))
    proportional = reliability(level * np.exp(rng.normal(0, 0.05, (40, 3))))
    even = reliability(level + rng.normal(0, 5, (40, 3)))
    assert proportional.spread.log_recommended
    assert not even.spread.log_recommended
    assert proportional.cv_percent == pytest.approx(100 * (np.exp(0.05) - 1), rel=0.2)


def test_growing_noise_is_claimed_falsely_in_at_most_a_twentieth():
    rng, trials = np.random.default_rng(6), 300
    claims = sum(
        reliability(200 + rng.normal(0, 20, (10, 1)) + rng.normal(0, 3, (10, 2)))
        .spread.log_recommended
        for _ in range(trials)
    )  # fmt: skip
    assert claims / trials < 0.05 + 4 * np.sqrt(0.05 * 0.95 / trials)


def test_exact_limits_cover_their_true_place():
    """95 % intervals of the upper limit; 4 Monte-Carlo errors of 800 draws."""
    rng, trials = np.random.default_rng(7), 800
    covered = 0
    for _ in range(trials):
        limits = limits_of_agreement(rng.normal(0, 1, 8))
        covered += limits.high_ci.low <= limits.multiplier <= limits.high_ci.high
    assert abs(covered / trials - 0.95) < 4 * np.sqrt(0.95 * 0.05 / trials)


def test_exact_limits_equal_the_noncentral_t_of_scipy():
    d = np.random.default_rng(8).normal(3, 2, 20)
    limits = limits_of_agreement(d, multiplier=1.96)
    ends = nct.ppf([0.025, 0.975], 19, 1.96 * np.sqrt(20)) / np.sqrt(20)
    assert limits.high_ci.low == pytest.approx(d.mean() + ends[0] * d.std(ddof=1), rel=1e-8)
    assert limits.low_ci.low == pytest.approx(d.mean() - ends[1] * d.std(ddof=1), rel=1e-8)


def test_typical_error_interval_covers():
    rng, trials = np.random.default_rng(9), 500
    covered = 0
    for _ in range(trials):
        ci = reliability(rng.normal(0, 1, (6, 3))).typical_error_ci
        covered += ci.low <= 1 <= ci.high
    assert abs(covered / trials - 0.95) < 4 * np.sqrt(0.95 * 0.05 / trials)


def test_one_way_needs_groups_and_repeats():
    with pytest.raises(UnanswerableError, match="repeats"):
        one_way([[1.0], [2.0]])
    assert one_way([[1.0, 3.0], [2.0, 2.0]]).within_sd == pytest.approx(1.0)


def test_comparison_of_single_values_and_of_means():
    single = compare([300.0], [290.0], typical_error=4.0, better=Better.LOWER, worthwhile=3.0)
    assert single.se == pytest.approx(4 * np.sqrt(2))
    assert single.mdc95 == pytest.approx(1.959963985 * np.sqrt(2) * 4, rel=1e-9)
    assert not single.exceeds_noise
    assert single.chance_better > 0.8  # ten units faster is better
    total = single.chance_better + single.chance_within + single.chance_worse
    assert total == pytest.approx(1)
    several = compare([300.0, 302.0, 301.0], [290.0, 291.0], typical_error=4.0, df=12)
    assert several.se == pytest.approx(4 * np.sqrt(1 / 3 + 1 / 2))
    assert several.chance_within is None
    assert several.ci.high - several.ci.low == pytest.approx(2 * 2.1788128 * several.se, rel=1e-6)


def test_comparison_refuses_all_at_once():
    with pytest.raises(RequestError) as caught:
        compare([], [np.nan], typical_error=0.0, worthwhile=-1.0)
    assert [p.where for p in caught.value.problems] == [
        "before", "after", "typical error", "worthwhile",
    ]  # fmt: skip


@pytest.mark.parametrize(("df", "nominal"), [(9, 0.95), (None, 0.95)])
def test_comparison_interval_covers_when_the_noise_is_a_study_s(df, nominal):
    rng, trials = np.random.default_rng(10), 1000
    covered = 0
    for _ in range(trials):
        noise = 1.0 if df is None else np.sqrt(rng.chisquare(df) / df)
        ci = compare(rng.normal(), rng.normal(), typical_error=noise, df=df).ci
        covered += ci.low <= 0 <= ci.high
    assert abs(covered / trials - nominal) < 4 * np.sqrt(0.95 * 0.05 / trials)
