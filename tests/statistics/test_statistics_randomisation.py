"""Randomisation tests: exact counts, replay, inversion, and their agreement with each other."""

from __future__ import annotations

import tracemalloc
from itertools import product
from time import process_time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import permutation_test

from trialkit.domain.observations import Observations
from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.randomisation import replay_test, sign_flip_test
from trialkit.statistics.randomisation_exact import (
    count_subset_sums,
    sign_flip_count,
    sign_flip_limits,
    subset_sums,
)
from trialkit.statistics.swaps import swaps_within_blocks


def _pairs(differences, order=None) -> Observations:
    """Pairs as rows: within pair b the reference is 10 b and the other 10 b + difference."""
    d = np.asarray(differences, dtype=float)
    n = d.size
    order = np.zeros(n, dtype=int) if order is None else order
    value, condition = np.empty(2 * n), np.empty(2 * n, dtype="U1")
    for b in range(n):
        first, second = 2 * b, 2 * b + 1
        new, old = (first, second) if order[b] else (second, first)
        value[new], value[old] = 10 * b + d[b], 10 * b
        condition[new], condition[old] = "n", "a"
    return Observations(
        value=value,
        condition=condition,
        block=np.repeat(np.arange(n), 2).astype(str),
        reference="a",
        position=np.tile([1.0, 2.0], n),
        time=np.arange(2.0 * n),
    )


def _brute_p(d) -> float:
    signs = np.array(list(product([1, -1], repeat=len(d))))
    sums = np.abs(signs @ np.asarray(d, dtype=float))
    return float(np.mean(sums >= abs(np.sum(d)) - 1e-9 * np.abs(d).sum()))


@settings(max_examples=60, derandomize=True, deadline=None)
@given(st.lists(st.integers(-9, 9), min_size=1, max_size=9))
def test_exact_p_equals_plain_enumeration_with_ties_and_zeros(d):
    scaled = [0.1 * v for v in d]  # tenths are not exact in binary, ties must still be seen
    assert sign_flip_test(scaled).p == _brute_p(scaled)


@settings(max_examples=40, derandomize=True, deadline=None)
@given(
    st.lists(st.floats(-50, 50), min_size=2, max_size=12),
    st.floats(0.001, 1000).filter(lambda s: s > 0),
)
def test_p_does_not_change_with_the_unit_or_the_sign(d, scale):
    if np.abs(d).sum() < 1e-6:
        return
    p = sign_flip_test(d).p
    assert sign_flip_test(np.array(d) * scale).p == p
    assert sign_flip_test(-np.array(d)).p == p


def test_meet_in_the_middle_counts_what_enumeration_counts():
    terms = np.random.default_rng(1).integers(-20, 20, 17).astype(float)
    for limit in (-31.0, 0.0, 4.0, 77.0):
        assert count_subset_sums(terms, limit) == int(np.sum(subset_sums(terms) <= limit))


def test_equals_the_general_permutation_test_of_scipy():
    d = np.random.default_rng(2).normal(0.5, 1, 11)
    other = permutation_test(
        (d,), np.mean, permutation_type="samples", alternative="two-sided", n_resamples=np.inf
    )
    assert sign_flip_test(d).p == pytest.approx(other.pvalue, abs=0)


@pytest.mark.parametrize("n", [4, 5, 6, 9, 15])
def test_interval_ends_are_where_p_crosses(n):
    d = np.random.default_rng(n).normal(0.4, 1, n)
    result = sign_flip_test(d)
    low, high = result.interval.low, result.interval.high
    if 2 / 2**n > 0.05:
        assert (low, high) == (-np.inf, np.inf)
        assert result.smallest_p == 2 / 2**n
        return
    for end, outside in ((low, -1e-6), (high, 1e-6)):
        assert sign_flip_test(d - end).p > 0.05
        assert sign_flip_test(d - end - outside).p <= 0.05


def test_ranking_and_counting_give_the_same_limits():
    d = np.random.default_rng(5).normal(0.2, 1, 21)
    low, high, _ = sign_flip_limits(d, 0.05)  # 21 pairs: by counting
    means = subset_sums(d)[1:] / subset_sums(np.ones(21))[1:]
    rank = int(0.025 * 2**21)
    ends = np.partition(means, (rank - 1, means.size - rank))[[rank - 1, -rank]]
    # The root finder stops at 1e-9 of the range, about 4.
    assert np.allclose([low, high], ends, atol=1e-8)


def test_forty_pairs_take_under_two_seconds_and_a_gigabyte():
    d = np.random.default_rng(3).normal(0.3, 1, 40)
    tracemalloc.start()
    started = process_time()
    count = sign_flip_count(d)
    used, peak = process_time() - started, tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert used < 2  # measured: 0.05 s of the processor
    assert peak < 1e9  # measured: 50 MB
    result = sign_flip_test(d)
    assert result.exact
    assert result.p * 2**40 == count


def test_sampled_p_is_near_the_exact_one_and_never_zero():
    d = np.random.default_rng(4).normal(0.35, 1, 30)
    exact, sampled = sign_flip_test(d), sign_flip_test(d, max_exact=20, seed=7)
    assert not sampled.exact
    assert abs(sampled.p - exact.p) < 4 * sampled.mc_error
    assert np.isclose(sampled.interval.low, exact.interval.low, atol=0.05)
    assert sign_flip_test(d + 100, max_exact=20, draws=99).p == 1 / 100


def test_replay_of_pairs_equals_sign_flips():
    d = np.random.default_rng(6).normal(0.6, 1, 8)
    obs = _pairs(d, order=[0, 1, 1, 0, 1, 0, 0, 1])
    swaps = swaps_within_blocks(obs)
    replayed, flipped = replay_test(obs, swaps.sequences, exact=True), sign_flip_test(d)
    assert swaps.exact
    assert replayed.p == flipped.p
    assert replayed.smallest_p == flipped.smallest_p == 2 / 2**8
    assert replayed.statistic == pytest.approx(flipped.statistic, rel=1e-12)
    assert replayed.interval.low == pytest.approx(flipped.interval.low, rel=1e-9)
    assert replayed.interval.high == pytest.approx(flipped.interval.high, rel=1e-9)


def _brute_replay(obs, sequences, columns) -> float:
    def difference(codes):
        nuisance = np.column_stack(columns)
        design = np.column_stack([nuisance, codes == 1])
        if np.linalg.matrix_rank(design) == np.linalg.matrix_rank(nuisance):
            return 0.0  # this sequence cannot tell the conditions apart
        return np.linalg.lstsq(design, obs.value, rcond=None)[0][-1]

    run = (obs.condition != obs.reference).astype(int)
    observed = abs(difference(run))
    return float(np.mean([abs(difference(s)) >= observed - 1e-9 for s in sequences]))


def test_adjusted_replay_equals_a_regression_for_each_sequence():
    rng = np.random.default_rng(8)
    obs = _pairs(rng.normal(0.5, 1, 6), order=[0, 1, 1, 0, 1, 0])
    # Periods 3 and 10 were missed.
    obs = obs.keep(~np.isin(np.arange(obs.n), [3, 10]))
    all_pairs = np.array(list(product([0, 1], repeat=6)))
    full = np.stack((all_pairs, 1 - all_pairs), axis=2).reshape(64, 12)
    attended = full[:, ~np.isin(np.arange(12), [3, 10])]
    columns = [np.ones(obs.n), *(obs.block[:, None] == np.unique(obs.block)).T, obs.time]
    ours = replay_test(obs, attended, exact=True, adjust=("block", "trend"))
    assert ours.p == pytest.approx(_brute_replay(obs, attended, columns), abs=1e-12)


def test_interval_of_an_adjusted_replay_holds_what_its_test_keeps():
    rng = np.random.default_rng(9)
    obs = _pairs(rng.normal(1, 1, 8), order=[0, 1, 1, 0, 1, 0, 0, 1])
    sequences = swaps_within_blocks(obs).sequences
    result = replay_test(obs, sequences, exact=True, adjust=("block", "period"))
    applied = (obs.condition == "n").astype(float)

    def p_of(effect: float) -> float:
        shifted = Observations(
            value=obs.value - effect * applied,
            condition=obs.condition,
            block=obs.block,
            reference="a",
            position=obs.position,
        )
        return replay_test(shifted, sequences, exact=True, adjust=("block", "period")).p

    for end, outside in ((result.interval.low, -1e-6), (result.interval.high, 1e-6)):
        assert p_of(end) > 0.05
        assert p_of(end + outside) <= 0.05


def _threes(rng, blocks: int, **shifts: float) -> Observations:
    condition = np.concatenate([rng.permutation(["a", "b", "c"]) for _ in range(blocks)])
    value = rng.normal(size=3 * blocks) + sum(x * (condition == c) for c, x in shifts.items())
    block = np.repeat(np.arange(blocks), 3).astype(str)
    return Observations(value=value, condition=condition, block=block, reference="a")


def test_three_conditions_in_blocks():
    obs = _threes(np.random.default_rng(10), 6, c=3.0)
    swaps = swaps_within_blocks(obs)
    assert swaps.sequences.shape == (6**6, 18)
    for pair in (("c", "a"), ("b", "a"), ("c", "b")):
        # Others held in place, blocks of three become pairs: the sign flips of their differences.
        values = [obs.value[obs.condition == c] for c in pair]
        flips = sign_flip_test(values[0] - values[1])
        result = replay_test(obs, swaps.sequences, exact=True, condition=pair)
        assert result.statistic == pytest.approx(flips.statistic, rel=1e-9)
        assert result.p == flips.p
        assert result.n_sequences == 2**6
        assert result.interval.low == pytest.approx(flips.interval.low, rel=1e-9)
    with pytest.raises(RequestError, match="condition"):
        replay_test(obs, swaps.sequences, exact=True)
    with pytest.raises(UnanswerableError, match="in place"):
        replay_test(obs, swaps.sequences[:500], exact=False, condition="c")


def test_a_third_condition_does_not_move_the_comparison_of_two():
    obs = _threes(np.random.default_rng(13), 5, b=1.0)
    moved = Observations(
        value=obs.value + 50 * (obs.condition == "c"),
        condition=obs.condition,
        block=obs.block,
        reference="a",
    )
    sequences = swaps_within_blocks(obs).sequences
    one, other = (replay_test(x, sequences, exact=True, condition="b") for x in (obs, moved))
    assert one.p == other.p
    assert one.interval.high == pytest.approx(other.interval.high, rel=1e-9)


def test_sampled_replay_is_near_the_exact_one():
    obs = _pairs(np.random.default_rng(11).normal(0.5, 1, 10))
    full, part = swaps_within_blocks(obs), swaps_within_blocks(obs, max_exact=100, seed=3)
    assert not part.exact
    exact = replay_test(obs, full.sequences, exact=True)
    sampled = replay_test(obs, part.sequences, exact=False)
    assert abs(sampled.p - exact.p) < 4 * sampled.mc_error
    assert sampled.p >= 1 / 10_000


@pytest.mark.parametrize("n", [6, 8])
def test_error_rate_and_coverage_under_no_effect(n):
    """Exact level: with continuous noise 2 floor(0.025 2^n) / 2^n of trials are rejected."""
    rng = np.random.default_rng(12)
    trials = 2000
    results = [sign_flip_test(rng.standard_t(3, n)) for _ in range(trials)]
    nominal = 2 * int(0.025 * 2**n) / 2**n
    mc_error = np.sqrt(nominal * (1 - nominal) / trials)
    rejected = np.mean([r.p <= 0.05 for r in results])
    covered = np.mean([r.interval.low <= 0 <= r.interval.high for r in results])
    assert abs(rejected - nominal) < 4 * mc_error
    assert abs(covered - (1 - nominal)) < 4 * mc_error
    assert results[0].achieved_level == 1 - nominal


def test_what_cannot_be_answered_is_refused():
    with pytest.raises(UnanswerableError, match="complete pair"):
        sign_flip_test([])
    with pytest.raises(RequestError, match="without both values"):
        sign_flip_test([1.0, np.nan])
    obs = _pairs([1.0, 2.0, 0.5])
    swaps = swaps_within_blocks(obs).sequences
    with pytest.raises(UnanswerableError, match="told apart"):
        replay_test(obs, swaps, exact=True, adjust=("block", "period"))  # always second
    with pytest.raises(RequestError, match="could not have given"):
        replay_test(obs, swaps[-1:], exact=True)
    with pytest.raises(RequestError, match="one column per measured period"):
        replay_test(obs, swaps[:, :-1], exact=True)
    with pytest.raises(RequestError, match="not an adjustment"):
        replay_test(obs, swaps, exact=True, adjust=("carryover",))


def test_all_differences_zero_gives_p_of_one():
    assert sign_flip_test([0.0] * 6).p == 1.0
