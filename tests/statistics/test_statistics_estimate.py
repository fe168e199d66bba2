from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trialkit.domain.estimates import Verdict
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Better
from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.bayes import Evidence, borrowed_df
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import Terms
from trialkit.statistics.forecast import Analysis, chance_settled
from trialkit.statistics.paired import fit_fixed_blocks


def trial(
    blocks: int = 8, effect: float = 1.0, *, k: int = 2, seed: int = 0, drop: tuple[int, ...] = ()
) -> Observations:
    rng = np.random.default_rng(seed)
    condition = np.concatenate([rng.permutation(list("ABCD"[:k])) for _ in range(blocks)])
    value = 50 + rng.normal(size=blocks * k) + np.repeat(rng.normal(size=blocks), k)
    obs = Observations(
        value + effect * (condition == "B"),
        condition,
        np.repeat([f"b{i:02d}" for i in range(blocks)], k),
        reference="A",
        position=np.tile(np.arange(1.0, k + 1), blocks),
        time=np.arange(1.0, blocks * k + 1),
    )
    return obs.keep(~np.isin(np.arange(obs.n), drop))


def run(obs: Observations, **options: object):  # type: ignore[no-untyped-def]
    return estimate(obs, options=EstimateOptions(**options))  # type: ignore[arg-type]


# -- which method -------------------------------------------------------------------------------


def test_complete_pairs_get_the_paired_t() -> None:
    result = run(trial())
    assert result.method == "paired"
    assert "complete" in result.why
    obs = trial()
    a, b = (obs.value[obs.condition == c] for c in "AB")
    want = stats.ttest_rel(b, a)
    assert result.contrasts[0].p == pytest.approx(want.pvalue, rel=1e-9)
    assert result.variance.block is None


def test_incomplete_pairs_get_the_mixed_model_with_complete_pairs_beside_it() -> None:
    result = run(trial(drop=(3,)), margin=0.5)
    assert result.method == "mixed"
    assert result.n == 15
    beside = {row.method: row for row in result.sensitivity}
    assert beside["paired"].contrast.df == 6
    assert "mixed, Satterthwaite" in beside
    assert any("Missing periods" in note for note in result.notes)


def test_several_conditions_in_complete_blocks() -> None:
    result = run(trial(6, k=3), all_pairs=True)
    assert result.method == "paired"
    names = [(c.condition, c.reference) for c in result.contrasts]
    assert names == [("B", "A"), ("C", "A"), ("C", "B")]
    assert all(c.df == 10 for c in result.contrasts)
    p = sorted(c.p for c in result.contrasts)
    assert min(c.p_adjusted for c in result.contrasts) == pytest.approx(3 * p[0])


def test_verdict_among_several_conditions_needs_a_name() -> None:
    open_question = run(trial(6, k=3), margin=0.5)
    assert open_question.decision is None
    assert any("has to be declared" in note for note in open_question.notes)
    assert run(trial(6, k=3), margin=0.5, primary_condition="C").decision is not None


def test_incomplete_blocks_of_three() -> None:
    result = run(trial(6, k=3, drop=(1, 9)))
    assert result.method == "mixed"
    assert len(result.contrasts) == 2
    assert any(note.startswith("All conditions at once: F(2, ") for note in result.notes)
    assert not any("at once" in note for note in run(trial()).notes)


# -- few pairs ----------------------------------------------------------------------------------


def test_one_pair_without_a_noise_cannot_be_answered() -> None:
    with pytest.raises(UnanswerableError, match="says nothing about its own noise") as caught:
        run(trial(1))
    assert caught.value.exit_status == 4


def test_one_pair_borrows_the_declared_noise() -> None:
    obs = trial(1, 4.0)
    result = run(obs, planned_noise=1.0, planned_df=6.0, margin=0.5)
    (got,) = result.contrasts
    assert result.method == "bayes"
    assert got.df == 6
    assert got.se == pytest.approx(np.sqrt(2))
    assert result.noise.typical_error == 1.0
    # One pair cannot tell the condition from the order: an estimate, but no verdict.
    assert result.decision is None
    assert any("larger than usual retest noise" in note for note in result.notes)
    two = run(trial(2, 4.0), planned_noise=1.0, planned_df=6.0, margin=0.5)
    assert two.decision is not None


def incomplete_by_design(blocks: int, seed: int = 0) -> Observations:
    """Blocks of two of three conditions, every couple as often as another."""
    rng = np.random.default_rng(seed)
    couples = [("A", "B"), ("A", "C"), ("B", "C")]
    condition = np.concatenate([rng.permutation(couples[b % 3]) for b in range(blocks)])
    block = np.repeat([f"{b:02d}" for b in range(blocks)], 2)
    return Observations(
        rng.normal(size=2 * blocks) + 9.0 * (condition == "B"), condition, block, "A"
    )


def test_blocks_incomplete_by_design_can_carry_a_verdict() -> None:
    few, enough = (
        run(incomplete_by_design(blocks), margin=0.5, primary_condition="B") for blocks in (3, 6)
    )
    assert few.decision is None  # 1 degree of freedom inside blocks
    assert any("leave 1 degree of freedom" in note for note in few.notes)
    assert enough.decision is not None  # 4
    assert enough.decision.verdict is Verdict.HELPS


def test_one_complete_block_more_takes_no_verdict_away() -> None:
    # Six blocks of three conditions, one period missed in each: 4 df inside blocks; with all three
    # periods of one block 5.
    rng = np.random.default_rng(8)
    condition, block = np.tile(list("ABC"), 6), np.repeat(list("abcdef"), 3)
    missed = np.array([0, 4, 8, 9, 13, 17])
    whole = Observations(rng.normal(size=18), condition, block, "A")
    for kept in (np.delete(np.arange(18), missed), np.delete(np.arange(18), missed[1:])):
        obs = whole.keep(np.isin(np.arange(18), kept))
        assert run(obs, margin=0.5, primary_condition="B").decision is not None


def at_boundary(seed: int) -> Observations:
    """Eight pairs with two periods missed; seeds decide whether the block variance is zero."""
    return trial(8, 0.0, seed=seed).keep(~np.isin(np.arange(16), [3, 8]))


def test_by_default_noise_is_no_smaller_than_inside_blocks() -> None:
    seen = set()
    for seed in range(20):
        obs = at_boundary(seed)
        default, asked = run(obs, margin=0.5), run(obs, method="mixed", margin=0.5)
        (got,), (plain,) = default.contrasts, asked.contrasts
        assert default.method == got.method == "mixed"
        assert (got.estimate, got.df) == pytest.approx((plain.estimate, plain.df), rel=1e-12)
        inside = fit_fixed_blocks(obs, Terms()).variance  # pairs: their differences' residual
        rows = [row.method for row in default.sensitivity]
        if asked.variance.block == 0:
            grown = max(1.0, inside / asked.variance.residual)
            assert got.se == pytest.approx(plain.se * np.sqrt(grown), rel=1e-9)
            assert default.variance.residual >= inside * (1 - 1e-9)
            assert "mixed" in rows
            assert any("at least as large as inside blocks" in note for note in default.notes)
        else:
            assert got == plain
            assert "mixed" not in rows
        seen.add(asked.variance.block == 0)
    assert seen == {True, False}


def test_three_pairs_alone_give_an_estimate_without_a_verdict() -> None:
    result = run(trial(3, 9.0), margin=0.5)
    assert result.method == "paired"
    assert result.decision is None
    assert any("No verdict" in note for note in result.notes)


@settings(derandomize=True, max_examples=30, deadline=None)
@given(st.integers(2, 9), st.floats(0.2, 5), st.floats(2, 40), st.integers(0, 99))
def test_borrowed_noise_closed_form(blocks: int, te: float, df: float, seed: int) -> None:
    obs = trial(blocks, seed=seed)
    (got,) = run(obs, method="bayes", planned_noise=te, planned_df=df, sensitivity=False).contrasts
    a, b = (obs.value[obs.condition == c] for c in "AB")
    d, nu0 = b - a, borrowed_df(df)
    s2 = (nu0 * te**2 + (blocks - 1) * d.var(ddof=1) / 2) / (nu0 + blocks - 1)
    assert got.estimate == pytest.approx(d.mean(), abs=1e-12)
    assert got.df == pytest.approx(nu0 + blocks - 1)
    assert got.se == pytest.approx(np.sqrt(2 * s2 / blocks), rel=1e-10)


def test_bayes_with_incomplete_pairs_and_terms() -> None:
    dropped = run(trial(drop=(3,)), method="bayes", planned_noise=1.0, planned_df=8.0)
    assert dropped.contrasts[0].df == 8 + 6
    adjusted = run(trial(), method="bayes", planned_noise=1.0, planned_df=8.0, period_effect=True)
    assert adjusted.contrasts[0].df == 8 + 6


# -- refusals -----------------------------------------------------------------------------------


def test_every_wrong_option_is_reported_at_once() -> None:
    with pytest.raises(RequestError) as caught:
        EstimateOptions(method="magic", level=95.0, margin=-1.0, planned_noise=float("nan"))
    assert [p.where for p in caught.value.problems] == [
        "method",
        "level",
        "smallest worthwhile change",
        "typical error",
    ]


def test_one_condition_is_refused() -> None:
    obs = trial()
    with pytest.raises(UnanswerableError, match="nothing to compare"):
        run(obs.keep(obs.condition == "A"))


def test_constant_values_are_refused() -> None:
    obs = trial()
    flat = Observations(np.full(obs.n, 7.0), obs.condition, obs.block, reference="A")
    with pytest.raises(UnanswerableError, match="one and the same value"):
        run(flat)


def test_equal_differences_leave_no_noise() -> None:
    obs = trial()
    exact = Observations(
        np.repeat(np.arange(8.0), 2) + (obs.condition == "B"), obs.condition, obs.block, "A"
    )
    with pytest.raises(UnanswerableError, match="no noise is left"):
        run(exact)
    # The draw of the order still speaks.
    assert run(exact, method="randomisation").contrasts[0].p == 2 / 2**8


def test_unknown_primary_condition() -> None:
    with pytest.raises(RequestError, match="name one of B"):
        run(trial(), primary_condition="Z")


def test_one_order_is_noted_and_refused_with_a_place_effect() -> None:
    obs = trial()
    fixed = Observations(
        obs.value, np.tile(["A", "B"], 8), obs.block, reference="A", position=obs.position
    )
    assert any("same order" in note for note in run(fixed).notes)
    assert not any("same order" in note for note in run(obs).notes)
    with pytest.raises(UnanswerableError):
        run(fixed, period_effect=True)


def test_randomisation_cannot_model_carryover() -> None:
    with pytest.raises(RequestError, match="rebuilt for every possible order"):
        run(trial(), method="randomisation", carryover=True)


# -- the whole answer ---------------------------------------------------------------------------


def test_verdict_follows_the_built_in_effect() -> None:
    assert run(trial(10, 5.0), margin=1.0).decision.verdict is Verdict.HELPS
    assert run(trial(10, 5.0), margin=1.0, better=Better.LOWER).decision.verdict is Verdict.HURTS
    none = run(trial(60, 0.0), margin=1.0).decision
    assert none.verdict is Verdict.NO_WORTHWHILE_DIFFERENCE


def test_no_margin_no_verdict() -> None:
    assert run(trial()).decision is None


def test_randomisation_replays_given_sequences() -> None:
    obs = trial(7, 2.0)
    flips = np.array(np.meshgrid(*[[0, 1]] * 7)).reshape(7, -1).T
    sequences = np.stack([flips, 1 - flips], axis=2).reshape(len(flips), -1)
    free = run(obs, method="randomisation", margin=1.0)
    told = run(obs, method="randomisation", margin=1.0, reference_sequences=sequences)
    assert told.contrasts[0].p == free.contrasts[0].p
    assert told.contrasts[0].interval.low == pytest.approx(free.contrasts[0].interval.low, abs=1e-6)
    assert told.decision is not None


def test_plain_tables_are_tested_by_swaps_inside_blocks() -> None:
    three = run(trial(5, 2.0, k=3), method="randomisation", all_pairs=True)
    assert [(c.condition, c.reference) for c in three.contrasts][2] == ("C", "B")
    assert all(c.smallest_p == 2 / 2**5 and c.exact for c in three.contrasts)
    paired = run(trial(5, 2.0, k=3), all_pairs=True)
    for one, other in zip(three.contrasts, paired.contrasts, strict=True):
        assert one.estimate == pytest.approx(other.estimate)


def test_swaps_with_a_place_effect_use_the_adjusted_difference() -> None:
    obs = trial(8, 1.0, seed=3)
    tested = run(obs, method="randomisation", period_effect=True)
    fitted = run(obs, period_effect=True)
    assert tested.contrasts[0].estimate == pytest.approx(fitted.contrasts[0].estimate)
    assert tested.contrasts[0].exact is True


def test_blocks_with_several_periods_of_a_condition() -> None:
    # Two of each in four blocks: 6^4 orders, and the mirror image is as extreme.
    rng = np.random.default_rng(0)
    obs = Observations(
        rng.normal(size=16) + np.tile([0.0, 9.0, 9.0, 0.0], 4),
        np.tile(list("ABBA"), 4),
        np.repeat(list("1234"), 4),
        reference="A",
    )
    (got,) = run(obs, method="randomisation").contrasts
    assert got.p == pytest.approx(2 / 6**4)
    many = trial(18, 0.3, seed=2)
    sampled = run(many, method="randomisation", period_effect=True, sensitivity=False).contrasts[0]
    assert sampled.exact is False
    assert sampled.mc_error is not None


def test_sensitivity_says_whether_the_verdict_moves() -> None:
    result = run(trial(8, 0.9, seed=1), margin=0.5, planned_noise=0.1, planned_df=20.0)
    assert {row.method for row in result.sensitivity} >= {
        "mixed",
        "serial",
        "randomisation",
        "bayes",
        "paired, with place in block",
    }
    for row in result.sensitivity:
        assert row.moves == (row.verdict is not None and row.verdict is not result.decision.verdict)
    # The borrowed noise is a tenth of the athlete's own: that row settles what the trial does not.
    assert any(row.moves for row in result.sensitivity)


def test_sensitivity_can_be_left_out() -> None:
    assert run(trial(), sensitivity=False).sensitivity == ()


def test_repeats_within_a_period_are_not_new_periods() -> None:
    obs = trial(6)
    rows = np.repeat(np.arange(obs.n), 5)
    assert obs.time is not None
    many = Observations(
        obs.value[rows], obs.condition[rows], obs.block[rows], reference="A", time=obs.time[rows]
    )
    for method in ("paired", "mixed", "serial", "randomisation"):
        one = run(obs, method=method, sensitivity=False).contrasts[0]
        five = run(many, method=method, sensitivity=False).contrasts[0]
        assert five.p == pytest.approx(one.p, rel=1e-6)
    assert run(many).noise.mdc_mean == pytest.approx(run(obs).noise.mdc_mean)


@settings(derandomize=True, max_examples=25, deadline=None)
@given(st.integers(0, 999), st.floats(-5, 5))
def test_adding_to_a_block_changes_nothing_inside_complete_blocks(seed: int, push: float) -> None:
    obs = trial(6, seed=seed)
    pushed = Observations(
        obs.value + push * (obs.block == "b02"), obs.condition, obs.block, reference="A"
    )
    one = run(obs, sensitivity=False).contrasts[0]
    other = run(pushed, sensitivity=False).contrasts[0]
    assert (one.estimate, one.se) == pytest.approx((other.estimate, other.se), abs=1e-9)


@settings(derandomize=True, max_examples=25, deadline=None)
@given(st.integers(0, 999), st.floats(-3, 3))
def test_a_trend_does_not_touch_the_adjusted_estimate(seed: int, slope: float) -> None:
    obs = trial(6, seed=seed)
    orders = {tuple(obs.condition[obs.block == b]) for b in np.unique(obs.block)}
    if len(orders) == 1:
        return
    assert obs.time is not None
    drifting = Observations(
        obs.value + slope * obs.time,
        obs.condition,
        obs.block,
        reference="A",
        position=obs.position,
        time=obs.time,
    )
    one = run(obs, period_effect=True, sensitivity=False).contrasts[0]
    other = run(drifting, period_effect=True, sensitivity=False).contrasts[0]
    assert (one.estimate, one.se) == pytest.approx((other.estimate, other.se), abs=1e-8)


@pytest.mark.parametrize("seed", range(24))
def test_whatever_comes_in_is_answered_or_refused(seed: int) -> None:
    # Any table gives a finite answer or one of the house's errors, never anything else.
    rng = np.random.default_rng(seed)
    k = int(rng.integers(2, 5))
    sizes = rng.integers(1, 2 * k, size=rng.integers(2, 8))
    block = np.repeat(np.arange(sizes.size), sizes)
    rows = rng.integers(0, block.size, block.size) if seed % 3 == 0 else np.arange(block.size)
    condition = rng.permutation(np.resize(list("ABCD"[:k]), block.size))
    place = np.concatenate([np.arange(1.0, size + 1) for size in sizes])
    value = (
        np.round(rng.normal(size=block.size), seed % 4) * 10.0 ** (seed % 7 - 3) + seed % 2 * 1e6
    )
    if "A" not in condition[rows]:
        return
    obs = Observations(
        value[rows],
        condition[rows],
        block[rows].astype(str),
        reference="A",
        position=place[rows],
        time=np.arange(1.0, block.size + 1)[rows],
    )
    for method in ("auto", "paired", "mixed", "serial", "randomisation", "bayes"):
        for terms in ({}, {"period_effect": True}, {"trend": True}, {"carryover": True}):
            try:
                result = run(obs, method=method, margin=0.5, max_blocks=9, **terms)
            except (RequestError, UnanswerableError):
                continue
            for contrast in result.contrasts:
                assert np.isfinite(contrast.estimate)
                assert contrast.se is None or (0 < contrast.se < np.inf and contrast.df > 0)


# -- the other scale ----------------------------------------------------------------------------


def grown(blocks: int = 8, cv: float = 0.25, seed: int = 3) -> Observations:
    """Pairs whose noise grows with the level; B is 30 % above A."""
    rng = np.random.default_rng(seed)
    condition = np.tile(["A", "B"], blocks)
    value = np.exp(4 + cv * rng.normal(size=2 * blocks) + np.log(1.3) * (condition == "B"))
    return Observations(value, condition, np.repeat([f"{b:02d}" for b in range(blocks)], 2), "A")


def test_large_noise_is_also_judged_on_logs() -> None:
    obs = grown()
    result = run(obs, margin=5.0)
    row = {r.method: r for r in result.sensitivity}["paired, logs"]
    a, b = (np.log(obs.value[obs.condition == c]) for c in "AB")
    want = stats.ttest_rel(b, a)
    ends = want.confidence_interval()
    level = np.exp(a.mean())
    assert row.contrast.p == pytest.approx(want.pvalue, rel=1e-9)
    assert row.contrast.interval.low == pytest.approx(level * np.expm1(ends.low), rel=1e-9)
    assert row.contrast.interval.high == pytest.approx(level * np.expm1(ends.high), rel=1e-9)
    assert row.contrast.estimate == pytest.approx(level * np.expm1((b - a).mean()), rel=1e-9)


def test_large_noise_on_logs_is_also_judged_raw() -> None:
    raw = grown()
    obs = Observations(np.log(raw.value), raw.condition, raw.block, "A")
    result = run(obs, margin=0.1, scale="log")
    row = {r.method: r for r in result.sensitivity}["paired, raw values"]
    a, b = (raw.value[raw.condition == c] for c in "AB")
    want = stats.ttest_rel(b, a).confidence_interval()
    assert row.contrast.interval.high == pytest.approx(np.log1p(want.high / a.mean()), rel=1e-9)
    assert row.contrast.interval.low == pytest.approx(np.log1p(want.low / a.mean()), rel=1e-9)


@pytest.mark.parametrize("obs", [grown(cv=0.03), trial()], ids=["3 % noise", "1 in 50"])
def test_small_noise_needs_no_other_scale(obs: Observations) -> None:
    names = [row.method for row in run(obs, margin=5.0).sensitivity]
    assert not any("logs" in name for name in names)


def test_figures_in_sentences_are_percent_for_logs() -> None:
    raw = grown(cv=0.05)
    obs = Observations(np.log(raw.value), raw.condition, raw.block, "A")
    result = run(obs, margin=0.03, scale="log", planned_noise=0.2, planned_df=20.0)
    (left_out,) = (note for note in result.notes if "Leaving out" in note)
    assert left_out.count(" %") == 2
    (noise,) = (note for note in result.notes if "than planned" in note)
    assert "than planned (22.1 %" in noise
    assert result.decision is not None
    assert "lies wholly above 3.05 %" in result.decision.reason
    lower = run(obs, margin=0.03, scale="log", better=Better.LOWER, sensitivity=False)
    assert lower.decision is not None
    # Lower is better: 3.05 % more is as bad, and is said in the outcome's own percent.
    assert "lies wholly below -3.05 %" in lower.decision.reason


def test_one_of_anything_is_singular() -> None:
    result = run(trial(drop=(3,)), method="paired")
    assert any("1 period in incomplete blocks is not used" in note for note in result.notes)


def test_leaving_out_the_one_other_order_takes_no_answer_away() -> None:
    condition = np.array(list("ABABABABBA"))
    obs = Observations(
        np.random.default_rng(1).normal(size=10),
        condition,
        np.repeat(list("abcde"), 2),
        "A",
        position=np.tile([1.0, 2.0], 5),
    )
    result = run(obs, period_effect=True)
    assert result.contrasts[0].df == 3
    assert not any("Leaving out" in note for note in result.notes)


def test_the_declared_level_reaches_every_interval() -> None:
    result = run(trial(), level=0.8, margin=0.5)
    (got,) = result.contrasts
    assert (got.interval.level, got.interval_90.level) == (0.8, 0.6)
    assert result.noise.interval.level == 0.8
    assert result.noise.interval.low > run(trial()).noise.interval.low
    assert all(row.contrast.interval.level == 0.8 for row in result.sensitivity)


def test_forecast_counts_what_blocks_incomplete_by_design_are_worth() -> None:
    # Blocks of two of three conditions: one comparison each, and half of what a block that holds
    # both conditions tells of their difference (variance 4 / b in place of 2 / b).
    e = Evidence(0.9, 2 / 4, 5.0, 4.0)
    halved = chance_settled(e, Analysis(1.0, worth=0.5, df_per_block=0.5), further=8)
    assert halved == pytest.approx(chance_settled(e, Analysis(1.0), further=4), rel=1e-12)
    obs = incomplete_by_design(9)
    unsure = Observations(
        obs.value - 9.0 * (obs.condition == "B"), obs.condition, obs.block, reference="A"
    )
    result = run(unsure, margin=1.0, primary_condition="B")
    assert result.decision is not None
    assert result.decision.verdict is Verdict.NOT_SETTLED
    few = run(unsure, margin=1.0, primary_condition="B", max_blocks=9)
    assert few.decision is not None
    assert few.decision.chance_settled is None  # no further block may be added


def test_one_block_of_many_periods_is_told_apart_from_one_pair() -> None:
    rng = np.random.default_rng(3)
    obs = Observations(rng.normal(size=8), rng.permutation(list("AB" * 4)), np.repeat("1", 8), "A")
    with pytest.raises(UnanswerableError, match="one block of 8 periods"):
        run(obs)
    (got,) = run(obs, method="randomisation").contrasts
    assert got.smallest_p == pytest.approx(2 / 70)  # 8 choose 4
    with pytest.raises(UnanswerableError, match="one pair"):
        run(trial(1))


def test_an_interval_without_limits_is_said_in_words() -> None:
    result = run(trial(4, 0.2), method="randomisation", margin=0.5)
    assert result.decision is not None
    assert "without limits" in result.decision.reason
    assert "inf" not in result.decision.reason
