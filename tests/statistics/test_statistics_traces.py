"""Several outcomes and whole curves: joint re-randomisation keeps the family's level."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from trialkit.domain.observations import Observations
from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.flips import flip_set
from trialkit.statistics.multiplicity import holm, joint_test
from trialkit.statistics.randomisation import sign_flip_test
from trialkit.statistics.swaps import swaps_within_blocks
from trialkit.statistics.traces import paired_traces, replayed_traces


@settings(max_examples=50, derandomize=True, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_holm_equals_statsmodels(p):
    assert np.allclose(holm(p), multipletests(p, method="holm")[1], rtol=1e-12)


def test_holm_refuses_what_is_no_probability():
    with pytest.raises(RequestError, match="between 0 and 1"):
        holm([0.2, 1.2])


def test_one_outcome_is_the_plain_sign_flip_test():
    d = np.random.default_rng(1).normal(0.5, 1, 9)
    joint = joint_test(d[:, None])
    assert joint.p_adjusted[0] == joint.p_single[0] == sign_flip_test(d).p
    assert joint.t[0] == pytest.approx(d.mean() / d.std(ddof=1) * 3, rel=1e-12)
    assert joint.smallest_p == 2 / 2**9


def _step_down_by_hand(d):
    n, k = d.shape
    signs = np.array(list(product([1, -1], repeat=n)))

    def t(x):
        return np.abs(x.mean(axis=0)) / (x.std(axis=0, ddof=1) / np.sqrt(n))

    all_t = np.array([t(s[:, None] * d) for s in signs])
    order = np.argsort(-t(d))
    p, so_far = np.empty(k), 0.0
    for i, column in enumerate(order):
        rest = all_t[:, order[i:]].max(axis=1)
        so_far = max(so_far, float(np.mean(rest >= t(d)[column] - 1e-9)))
        p[column] = so_far
    return p


def test_step_down_equals_the_algorithm_written_out():
    rng = np.random.default_rng(2)
    d = rng.normal(0.4, 1, (7, 1)) + rng.normal(0, 1, (7, 4)) + [0, 0.5, 1, 0]
    assert np.allclose(joint_test(d).p_adjusted, _step_down_by_hand(d), atol=1e-12)


def test_joint_test_reaches_what_holm_cannot():
    d = np.random.default_rng(3).normal(3, 1, (6, 3))
    joint = joint_test(d)
    assert joint.p_adjusted.max() <= 0.05
    assert holm(joint.p_single).max() > 0.05


def test_joint_test_keeps_the_level_of_the_family():
    rng, trials = np.random.default_rng(4), 1500
    false = 0
    for _ in range(trials):
        d = rng.normal(0, 1, (8, 1)) + rng.normal(0, 1, (8, 4))
        false += joint_test(d).p_adjusted.min() <= 0.05
    assert false / trials < 0.05 + 4 * np.sqrt(0.05 * 0.95 / trials)


def test_sampled_patterns_are_near_the_exact_ones(monkeypatch):
    d = np.random.default_rng(5).normal(0.4, 1, (12, 3))
    exact = joint_test(d)
    monkeypatch.setattr("trialkit.statistics.flips.MOST_EXACT_PAIRS", 4)
    sampled = joint_test(d, seed=1)
    assert not sampled.exact
    assert np.all(np.abs(sampled.p_adjusted - exact.p_adjusted) < 4 * sampled.mc_error + 1e-4)


def test_gaps_are_refused():
    with pytest.raises(RequestError, match="pairs in which"):
        joint_test(np.array([[1.0, np.nan], [2.0, 1.0]]))
    with pytest.raises(UnanswerableError, match="fewer than two"):
        joint_test(np.array([[1.0, 2.0]]))


def _curves(rng, n: int, smooth: int = 6, g: int = 80) -> np.ndarray:
    kernel = np.exp(-0.5 * (np.arange(-3 * smooth, 3 * smooth + 1) / smooth) ** 2)
    noise = rng.normal(size=(n, g + kernel.size - 1))
    rows = [np.convolve(row, kernel, "valid") for row in noise]
    return np.array(rows) / np.sqrt((kernel**2).sum())


TIME = np.arange(80.0)


def test_a_difference_is_found_where_it_is():
    rng = np.random.default_rng(6)
    bump = np.where((TIME >= 30) & (TIME <= 50), 4.0, 0.0)
    result = paired_traces(_curves(rng, 10) + bump, time_s=TIME)
    assert result.p <= 0.05
    assert len(result.stretches) >= 1
    for stretch in result.stretches:
        assert stretch.start_s >= 28
        assert stretch.end_s <= 52
        assert stretch.largest_difference > 2
    assert np.all((result.low <= bump) & (bump <= result.high))


def test_one_point_in_time_is_the_sign_flip_test():
    d = np.random.default_rng(7).normal(0.5, 1, (9, 1))
    result = paired_traces(d, time_s=np.zeros(1))
    assert result.p == sign_flip_test(d[:, 0]).p
    assert result.smallest_p == 2 / 2**9


@pytest.mark.parametrize(("n", "smooth"), [(6, 1), (8, 6), (10, 20)])
def test_level_of_the_test_and_cover_of_the_band(n, smooth):
    """No difference: false claims at most 5 %; the band misses somewhere in about 5 %.

    The band rests on re-randomised residuals and is not exact: one percentage point is allowed
    beside 4 Monte-Carlo errors.
    """
    rng, trials = np.random.default_rng(8), 400
    found = missed = 0
    for _ in range(trials):
        result = paired_traces(_curves(rng, n, smooth), time_s=TIME)
        found += bool(result.stretches)
        missed += bool(np.any((result.low > 0) | (result.high < 0)))
    mc_error = np.sqrt(0.05 * 0.95 / trials)
    assert found / trials < 0.05 + 4 * mc_error
    assert abs(missed / trials - 0.05) < 0.01 + 4 * mc_error


def _as_periods(d, order):
    n, g = d.shape
    curves, condition = np.zeros((2 * n, g)), np.full(2 * n, "a")
    for b in range(n):
        new = 2 * b + order[b]
        curves[new] = d[b]
        condition[new] = "n"
        curves[2 * b : 2 * b + 2] += 50 * b
    obs = Observations(
        value=np.zeros(2 * n),
        condition=condition,
        block=np.repeat(np.arange(n), 2).astype(str),
        reference="a",
    )
    return curves, obs


def test_replay_of_pairs_equals_flips_of_pairs():
    d = _curves(np.random.default_rng(9), 7) + 0.8
    curves, obs = _as_periods(d, [0, 1, 1, 0, 1, 0, 0])
    sequences = swaps_within_blocks(obs).sequences
    one = paired_traces(d, time_s=TIME)
    other = replayed_traces(curves, obs, sequences, exact=True, time_s=TIME)
    assert np.allclose(one.difference, other.difference, atol=1e-10)
    assert np.allclose(one.p_at, other.p_at, atol=1e-12)
    assert np.allclose(one.low, other.low, atol=1e-8)
    assert one.smallest_p == other.smallest_p


def test_a_great_many_sequences_are_sampled(monkeypatch):
    d = _curves(np.random.default_rng(13), 10) + 0.5
    curves, obs = _as_periods(d, [0, 1] * 5)
    sequences = swaps_within_blocks(obs).sequences
    whole = replayed_traces(curves, obs, sequences, exact=True, time_s=TIME)
    monkeypatch.setattr("trialkit.statistics.traces._MOST_REPLAYED", 500)
    monkeypatch.setattr("trialkit.statistics.traces._SAMPLED", 499)
    part = replayed_traces(curves, obs, sequences, exact=True, time_s=TIME)
    assert (whole.exact, part.exact, part.n_sequences) == (True, False, 500)
    assert abs(part.p - whole.p) < 4 * part.mc_error


def test_too_few_pairs_for_a_band_are_said_by_an_endless_one():
    result = paired_traces(_curves(np.random.default_rng(10), 4) + 9, time_s=TIME)
    assert result.smallest_p == 2 / 2**4
    assert np.isinf(result.high).all()
    assert result.stretches == ()


def test_sampled_traces_never_give_zero(monkeypatch):
    monkeypatch.setattr("trialkit.statistics.flips.MOST_EXACT_PAIRS", 4)
    result = paired_traces(_curves(np.random.default_rng(11), 12) + 9, time_s=TIME, draws=199)
    assert result.p == 1 / 200
    assert result.mc_error > 0


def test_unusable_curves_are_refused():
    curves = _curves(np.random.default_rng(12), 5)
    with pytest.raises(RequestError, match="align"):
        paired_traces(curves, time_s=TIME[:-1])
    with pytest.raises(UnanswerableError, match="curves"):
        paired_traces(curves[:1], time_s=TIME)


def test_flip_sets_hold_each_pattern_once():
    signs = flip_set(5).signs
    both = np.vstack((signs, -signs))
    assert np.unique(both, axis=0).shape == (32, 5)
