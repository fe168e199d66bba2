from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.domain.observations import Observations
from trialkit.errors import UnanswerableError
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import Array, Terms, block_indicators
from trialkit.statistics.mixed import fit_mixed
from trialkit.statistics.mixed_blocks import BlockRotation, fit_blocks
from trialkit.statistics.mixed_components import fit_components, group_pattern
from trialkit.statistics.paired import fit_fixed_blocks


def pairs(seed: int, blocks: int = 6, block_sd: float = 1.0, k: int = 2) -> Observations:
    rng = np.random.default_rng(seed)
    condition = np.concatenate([rng.permutation(list("ABCD"[:k])) for _ in range(blocks)])
    value = 30 + rng.normal(size=blocks * k) + block_sd * np.repeat(rng.normal(size=blocks), k)
    return Observations(
        value + 0.7 * (condition == "B"),
        condition,
        np.repeat([f"b{i:02d}" for i in range(blocks)], k),
        reference="A",
        position=np.tile(np.arange(1.0, k + 1), blocks),
        time=np.arange(1.0, blocks * k + 1),
    )


def thinned(obs: Observations, *dropped: int) -> Observations:
    return obs.keep(~np.isin(np.arange(obs.n), dropped))


@settings(derandomize=True, max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(4, 10), st.integers(2, 4))
def test_equals_fixed_blocks_when_complete_and_interior(seed: int, blocks: int, k: int) -> None:
    obs = pairs(seed, blocks, block_sd=2.0, k=k)
    mixed, fixed = fit_mixed(obs, Terms()), fit_fixed_blocks(obs, Terms())
    one, other = mixed.contrast("B", "A"), fixed.contrast("B", "A")
    assert one.estimate == pytest.approx(other.estimate, abs=1e-9)
    if not mixed.at_boundary:
        # Complete blocks: the Kenward-Roger adjustment vanishes and the df are those of blocks.
        assert one.se == pytest.approx(other.se, rel=1e-7)
        assert one.df == pytest.approx(other.df, rel=1e-7)
    else:
        assert one.df == pytest.approx(other.df, rel=1e-7)
        assert one.se <= other.se


@settings(derandomize=True, max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(-1e3, 1e3), st.floats(1e-3, 1e3))
def test_moves_with_the_scale(seed: int, shift: float, factor: float) -> None:
    obs = thinned(pairs(seed, 7), 1, 8)
    moved = Observations(shift + factor * obs.value, obs.condition, obs.block, reference="A")
    one, other = fit_mixed(obs, Terms()), fit_mixed(moved, Terms())
    assert other.contrast("B", "A").estimate == pytest.approx(
        factor * one.contrast("B", "A").estimate, rel=1e-5, abs=1e-7 * factor
    )
    assert other.contrast("B", "A").se == pytest.approx(
        factor * one.contrast("B", "A").se, rel=1e-5
    )
    assert other.contrast("B", "A").df == pytest.approx(one.contrast("B", "A").df, rel=1e-4)


def test_swapping_the_reference_turns_the_sign() -> None:
    obs = thinned(pairs(3), 4)
    swapped = Observations(obs.value, obs.condition, obs.block, reference="B")
    one = fit_mixed(obs, Terms()).contrast("B", "A")
    other = fit_mixed(swapped, Terms()).contrast("A", "B")
    assert (-other.estimate, other.se, other.df) == pytest.approx(
        (one.estimate, one.se, one.df), rel=1e-8
    )


@settings(derandomize=True, max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_df_lie_between_zero_and_the_residual(seed: int) -> None:
    obs = thinned(pairs(seed, 6, block_sd=0.5), 0, 7)
    for way in ("kenward-roger", "satterthwaite"):
        assert 0 < fit_mixed(obs, Terms()).contrast("B", "A", small_sample=way).df <= obs.n - 2


@settings(derandomize=True, max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_two_roads_to_the_same_fit(seed: int, trend: bool) -> None:
    # The rotated line search and Fisher scoring on full matrices share no code.
    obs = thinned(pairs(seed, 6), 2, 9)
    fit = fit_mixed(obs, Terms(trend=trend))
    other = fit_components(obs.value, fit.columns.matrix, [group_pattern(obs.block), np.eye(obs.n)])
    assert other.theta[1] == pytest.approx(fit.residual, rel=1e-6)
    assert other.theta[0] == pytest.approx(fit.block, rel=1e-5, abs=1e-7)
    weights = fit.columns.contrast("B", "A")
    for way in ("kenward-roger", "satterthwaite"):
        if way == "satterthwaite" and fit.at_boundary:
            continue
        one = fit.contrast("B", "A", small_sample=way)
        two = other.contrast(weights, small_sample=way)
        assert (one.estimate, one.se) == pytest.approx((two.estimate, two.se), rel=1e-6)
        assert one.df == pytest.approx(two.df, rel=1e-5)


def criterion(y: Array, X: Array, Z: Array, ratio: float) -> float:
    """-2 restricted log-likelihood by the plain matrix formula, variance profiled out."""
    H = np.eye(len(y)) + ratio * Z @ Z.T
    Hi = np.linalg.inv(H)
    inner = X.T @ Hi @ X
    P = Hi - Hi @ X @ np.linalg.solve(inner, X.T @ Hi)
    m = len(y) - X.shape[1]
    return float(np.linalg.slogdet(H)[1] + np.linalg.slogdet(inner)[1] + m * np.log(y @ P @ y / m))


def test_the_search_is_global() -> None:
    # With a trend and two missing periods some likelihoods have two modes; the fit has to be at
    # least as good as every point of a dense scan, for every trial.
    base = thinned(pairs(0, 8), 3, 12)
    X = np.column_stack([np.ones(base.n), base.condition == "B", base.time]).astype(float)
    Z = block_indicators(base.block)
    rotation = BlockRotation.of(X, Z)
    rng = np.random.default_rng(5)
    scan = np.concatenate([[0.0], np.geomspace(1e-3, 1e4, 60)])
    for _ in range(40):
        y = rng.normal(size=base.n)
        fit = fit_blocks(y, rotation)
        best = min(criterion(y, X, Z, r) for r in scan)
        assert criterion(y, X, Z, fit.ratio) <= best + 1e-9


def test_single_periods_only_cannot_split_the_noise() -> None:
    obs = pairs(1)
    alone = Observations(
        obs.value, obs.condition, np.array([f"{i}" for i in range(obs.n)]), reference="A"
    )
    with pytest.raises(UnanswerableError, match="two periods into a block"):
        fit_mixed(alone, Terms())


def test_no_noise_inside_blocks_is_refused() -> None:
    obs = pairs(1)
    level = np.repeat(np.arange(6.0), 2)
    exact = Observations(
        level + 1.0 * (obs.condition == "B"), obs.condition, obs.block, reference="A"
    )
    with pytest.raises(UnanswerableError, match="without any noise"):
        fit_mixed(exact, Terms())


def test_equal_repeats_carry_no_more_than_their_means() -> None:
    obs = pairs(4, 6)
    rng = np.random.default_rng(9)
    rows = np.repeat(np.arange(obs.n), 3)
    tripled = obs.keep(np.ones(obs.n, dtype=bool))
    assert obs.time is not None
    many = Observations(
        obs.value[rows] + 0.2 * rng.normal(size=rows.size),
        tripled.condition[rows],
        tripled.block[rows],
        reference="A",
        time=obs.time[rows],
    )
    fit = fit_mixed(many, Terms())
    assert fit.contrast("B", "A").df == pytest.approx(5.0, rel=1e-7)
    assert fit.columns.matrix.shape[0] == obs.n


def test_repeats_that_never_differ_only_repeat_their_period() -> None:
    obs = thinned(pairs(4, 6), 5)
    rows = np.repeat(np.arange(obs.n), np.arange(obs.n) % 3 + 1)
    assert obs.time is not None
    many = Observations(
        obs.value[rows], obs.condition[rows], obs.block[rows], reference="A", time=obs.time[rows]
    )
    one, other = (fit_mixed(o, Terms()).contrast("B", "A") for o in (obs, many))
    assert (one.estimate, one.se, one.df) == pytest.approx((other.estimate, other.se, other.df))


def test_more_variance_parts_than_the_data_can_tell_apart() -> None:
    obs = pairs(2, 2)
    patterns = [group_pattern(obs.block), group_pattern(obs.condition), np.eye(obs.n)]
    X = np.column_stack([np.ones(obs.n), obs.condition == "B"]).astype(float)
    with pytest.raises(UnanswerableError, match="tell them apart"):
        fit_components(obs.value, X, patterns)


@pytest.mark.parametrize("seed", range(40))
def test_a_joint_test_is_given_or_left_out_but_never_breaks(seed: int) -> None:
    # Two complete blocks of a and b and single periods leave about two df: the moments of the F
    # do not exist, which divided by zero.
    rng = np.random.default_rng(seed)
    obs = Observations(
        rng.normal(size=6), np.array(list("ababcb")), np.array(list("112234")), reference="a"
    )
    found = estimate(obs, options=EstimateOptions(method="mixed", sensitivity=False))
    assert any("at once" in note for note in found.notes)
    assert all(c.p is not None and 0 <= c.p <= 1 for c in found.contrasts)
    assert not any("nan" in note for note in found.notes)


@pytest.mark.parametrize("k", [2, 3])
@pytest.mark.parametrize("seed", range(12))
def test_guarded_complete_blocks_give_the_t_of_their_differences(k: int, seed: int) -> None:
    obs = pairs(seed, 7, block_sd=0.0, k=k)
    guarded, fixed = fit_mixed(obs, Terms(), guarded=True), fit_fixed_blocks(obs, Terms())
    one, other = guarded.contrast("B", "A"), fixed.contrast("B", "A")
    assert one.se == pytest.approx(other.se, rel=1e-7)
    assert one.df == pytest.approx(other.df, rel=1e-7)
