"""Operating characteristics: against closed forms, and what they promise about themselves."""

from __future__ import annotations

from itertools import pairwise
from math import log1p

import numpy as np
import pytest

from trialkit.design.threats import find_threats
from trialkit.domain.estimates import Verdict
from trialkit.domain.outcomes import Better, Scale
from trialkit.errors import RequestError, UnanswerableError
from trialkit.planning import chunks, runners
from trialkit.planning.characteristics import operating_characteristics
from trialkit.planning.grids import CHUNK, Grid, SimulationSettings
from trialkit.planning.noncentral import (
    blocks_for_half_width,
    expected_half_width,
    power_complete_pairs,
    smallest_effect,
)
from trialkit.planning.recommendation import percent
from trialkit.planning.smallest import smallest_gain
from trialkit.planning.trials import Truth

QUICK = SimulationSettings(replicates=20_000, seed=11)
SMALL = SimulationSettings(replicates=5_000, seed=3)


def within_4_errors(share: float, truth: float, n: int) -> bool:
    return abs(share - truth) <= 4 * np.sqrt(truth * (1 - truth) / n)


def test_complete_pairs_have_the_power_of_the_noncentral_t(make_plan):
    result = operating_characteristics(make_plan(), settings=QUICK)
    for row in result.rows:
        closed = row.closed_form_power
        assert row.closed_form_exact
        assert closed == pytest.approx(power_complete_pairs(row.blocks, row.true_effect, sd=5.0))
        assert within_4_errors(row.power, closed, QUICK.replicates)
        # the median has, in 20,000 trials of 5 df, an error of about 0.4 %
        width = expected_half_width(row.blocks, sd=5.0)
        assert row.ci_halfwidth == pytest.approx(width, rel=0.02)


def test_random_blocks_agree_with_pairs_when_blocks_differ_much(make_plan):
    plan = make_plan(analysis={"method": "mixed"}, block_sd=20.0)
    result = operating_characteristics(plan, grid=Grid(blocks=(6,)), settings=QUICK)
    for row in result.rows:
        closed = power_complete_pairs(row.blocks, row.true_effect, sd=5.0)
        assert within_4_errors(row.power, closed, QUICK.replicates)


def test_chances_of_a_row_add_up(make_plan):
    result = operating_characteristics(make_plan(missing=0.1), settings=SMALL)
    for row in result.rows:
        assert sum(row.verdicts.values()) == pytest.approx(1.0)
        undecided = row.verdicts[Verdict.NOT_SETTLED]
        assert row.settled + row.wrong + undecided == pytest.approx(1.0)
        assert row.mc_error <= 0.5 / np.sqrt(SMALL.replicates) + 1e-12


def test_wrong_verdicts_stay_below_what_is_promised(make_plan):
    # no effect: 5 % of intervals exclude zero; at the margin itself 2.5 % "helps" and 5 % "no
    # worthwhile difference" are wrong by the rule
    result = operating_characteristics(make_plan(), grid=Grid(blocks=(12,)), settings=QUICK)
    none, at_margin = result.rows[0], result.rows[1]
    error = 4 * np.sqrt(0.075 * 0.925 / QUICK.replicates)
    assert none.wrong <= 0.05 + error
    assert at_margin.wrong <= 0.075 + error
    assert at_margin.verdicts[Verdict.HELPS] == pytest.approx(0.025, abs=error)


@pytest.mark.parametrize(
    "change",
    [
        {"missing": 0.1, "noise_df": 9.0},
        {"analysis": {"trend": "linear"}, "drift": 0.2, "blocks": 5},
        {"conditions": 3, "blocks": 4, "missing": 0.05},
    ],
    ids=["periods missed", "trend", "three conditions"],
)
def test_workers_and_batches_change_nothing(make_plan, change):
    plan, grid = make_plan(**change), Grid(blocks=(4, 5))
    results = [
        operating_characteristics(plan, grid=grid, settings=settings)
        for settings in (
            SMALL,
            SimulationSettings(replicates=5_000, seed=3, batch=4),
            SimulationSettings(replicates=5_000, seed=3, workers=2),
            SimulationSettings(replicates=5_000, seed=3, workers=2, batch=1, memory_mb=64),
        )
    ]
    assert all(result == results[0] for result in results[1:])


def test_another_seed_gives_other_figures_within_their_error(make_plan):
    one, other = (
        operating_characteristics(
            make_plan(), settings=SimulationSettings(replicates=5_000, seed=seed)
        )
        for seed in (1, 2)
    )
    assert one.rows != other.rows
    for a, b in zip(one.rows, other.rows, strict=True):
        assert abs(a.power - b.power) <= 4 * np.sqrt(2) * max(a.mc_error, b.mc_error, 1e-3)


def test_the_recommendation_is_the_fewest_blocks_that_settle_the_target(make_plan):
    result = operating_characteristics(
        make_plan(), grid=Grid(blocks=(5, 8), effects=(10.0,)), settings=QUICK
    )
    assert result.target == 10.0
    settled = {row.blocks: row.settled for row in result.rows}
    assert settled[5] < 0.8 <= settled[8]
    assert result.recommended_blocks == 8
    assert f"8 pairs: {percent(settled[8])} chance" in result.reason
    assert f"5 pairs would settle {percent(settled[5])}" in result.reason
    assert "(twice the 5 W that matters)" in result.reason


def test_no_number_of_blocks_is_recommended_when_none_suffices(make_plan):
    result = operating_characteristics(
        make_plan(), grid=Grid(blocks=(3, 4), target=1.0), settings=SMALL
    )
    assert result.recommended_blocks is None
    assert "No number tried is enough" in result.reason
    # what the sentence is about stands in the table
    assert {row.true_effect for row in result.rows} >= {1.0}
    assert "(0.2 times the 5 W that matters), and 80 % is wanted" in result.reason


def test_without_numbers_of_blocks_the_fewest_are_looked_for(make_plan):
    for wanted, noise_df in ((0.8, None), (0.97, 6.0)):
        plan = make_plan(noise_df=noise_df, missing=0.1)
        result = operating_characteristics(plan, grid=Grid(wanted=wanted), settings=SMALL)
        settled = {r.blocks: r.settled for r in result.rows if r.true_effect == result.target}
        best = result.recommended_blocks
        assert best is not None
        assert settled[best] >= wanted > settled[best - 1]
    # beyond the ladder around the protocol's own 8
    assert best > 16


def test_the_search_keeps_to_what_the_scheme_can_hold(make_plan):
    plan = make_plan(scheme="counterbalanced", blocks=4)
    result = operating_characteristics(plan, grid=Grid(wanted=0.95), settings=SMALL)
    assert all(row.blocks % 2 == 0 for row in result.rows)
    assert result.recommended_blocks is not None
    fixed = make_plan(scheme="fixed", blocks=4, design={"order": ("short", "long") * 4})
    result = operating_characteristics(fixed, grid=Grid(wanted=0.99), settings=SMALL)
    assert {row.blocks for row in result.rows} == {4}
    assert result.recommended_blocks is None


def test_blocks_for_a_wanted_half_width(make_plan):
    result = operating_characteristics(make_plan(), grid=Grid(half_width=4.0), settings=QUICK)
    width = {row.blocks: row.ci_halfwidth for row in result.rows}
    best = result.recommended_blocks
    # closed form of the same question: the median of the paired t interval
    assert best == blocks_for_half_width(4.0, sd=5.0)
    assert width[best] <= 4.0 < width[best - 1]
    assert f"± {width[best]:.3g} W" in result.reason
    with pytest.raises(RequestError, match="half-width"):
        Grid(half_width=0.0)


def test_a_single_effect_asked_for_is_the_target(make_plan):
    result = operating_characteristics(
        make_plan(), grid=Grid(blocks=(8,), effects=(0.0, 7.0)), settings=SMALL
    )
    assert result.target == 7.0
    assert {row.true_effect for row in result.rows} == {0.0, 7.0}
    several = operating_characteristics(
        make_plan(), grid=Grid(blocks=(8,), effects=(3.0, 7.0)), settings=SMALL
    )
    assert several.target == 10.0
    assert {row.true_effect for row in several.rows} == {3.0, 7.0, 10.0}


@pytest.mark.parametrize("conditions", [2, 3])
def test_the_closed_form_at_best_is_that_of_the_threats(make_plan, conditions):
    plan = make_plan(conditions=conditions, margin=1.0, missing=0.1)
    (threat,) = (t for t in find_threats(plan) if t.id == "margin-beyond-detection")
    result = operating_characteristics(
        plan, grid=Grid(blocks=(8,), effects=(threat.size,)), settings=SMALL
    )
    (row,) = result.rows
    assert row.closed_form_power == pytest.approx(0.8, abs=1e-6)
    assert not row.closed_form_exact
    assert row.power < 0.8 - 4 * row.mc_error
    answer = smallest_gain(plan, settings=SMALL)
    assert answer.at_best == pytest.approx(threat.size)
    assert answer.gain > threat.size


def test_the_smallest_gain_is_found_as_often_as_wanted(make_plan):
    for wanted in (0.8, 0.9):
        answer = smallest_gain(make_plan(), blocks=6, wanted=wanted, settings=QUICK)
        closed = smallest_effect(6, power=wanted, sd=5.0)
        assert answer.at_best == pytest.approx(closed)
        # nothing departs from the best case: the simulation has to find the closed form
        assert abs(answer.gain - closed) < 4 * answer.mc_error
    plan = make_plan(missing=0.15, noise_df=5.0)
    answer = smallest_gain(plan, settings=QUICK)
    (row,) = operating_characteristics(
        plan, grid=Grid(blocks=(8,), effects=(answer.gain,)), settings=QUICK
    ).rows
    # the same draws: only the straight line between two points of the power curve differs
    assert row.power == pytest.approx(0.8, abs=0.002)
    assert smallest_gain(make_plan(blocks=1), settings=SMALL) is None


def test_a_gain_that_is_never_found_is_said_to_be_none(make_plan):
    # one pair in four without an answer: two pairs with a missed period have no interval
    answer = smallest_gain(make_plan(missing=0.3), blocks=2, wanted=0.9, settings=SMALL)
    assert answer.gain is None


def test_effects_are_gains_in_the_unit_of_the_margin(make_plan):
    raw = operating_characteristics(make_plan(), grid=Grid(effects=(5.0,)), settings=SMALL)
    low = operating_characteristics(
        make_plan(better=Better.LOWER), grid=Grid(effects=(5.0,)), settings=SMALL
    )
    # a gain is a gain: the direction of better must not change its chances
    assert [r.power for r in raw.rows] == [r.power for r in low.rows]
    log = operating_characteristics(
        make_plan(scale=Scale.LOG), grid=Grid(blocks=(8,), effects=(5.0,)), settings=QUICK
    )
    assert log.unit == "%"
    closed = power_complete_pairs(8, log1p(0.05), sd=log1p(0.05))
    assert within_4_errors(log.rows[0].power, closed, QUICK.replicates)


def test_without_margin_there_is_power_but_no_verdict(make_plan):
    result = operating_characteristics(make_plan(margin=None), settings=SMALL)
    assert all(row.verdicts == {} for row in result.rows)
    assert [row.true_effect for row in result.rows[:4]] == [0.0, 5.0, 10.0, 15.0]
    assert "show a true gain of 10 W" in result.reason


def test_fewer_than_four_blocks_give_no_verdict_unless_noise_is_borrowed(make_plan):
    own = operating_characteristics(make_plan(), grid=Grid(blocks=(3,)), settings=SMALL)
    assert all(row.verdicts[Verdict.NOT_SETTLED] == 1.0 for row in own.rows)
    borrowed = operating_characteristics(
        make_plan(noise_df=8.0), grid=Grid(blocks=(3,)), settings=SMALL
    )
    assert borrowed.rows[-1].settled > 0.5
    # noise drawn around the typical error with the very df that are borrowed: exact level
    assert within_4_errors(borrowed.rows[0].power, 0.05, SMALL.replicates)


def test_nuisances_cost_what_they_should(make_plan):
    grid, settings = Grid(blocks=(8,), effects=(10.0,)), QUICK
    plain = operating_characteristics(make_plan(), grid=grid, settings=settings).rows[0]
    for worse in ({"missing": 0.15}, {"drift": 1.0}, {"noise_df": 8.0}):
        row = operating_characteristics(make_plan(**worse), grid=grid, settings=settings).rows[0]
        assert row.power < plain.power - 4 * plain.mc_error, worse


def test_heavy_tails_make_the_paired_t_conservative(make_plan):
    # from memory: the paired t's level with t noise on 3 df is near 0.04
    plan = make_plan(tail_df=3.0)
    row = operating_characteristics(plan, grid=Grid(blocks=(8,)), settings=QUICK).rows[0]
    assert 0.033 < row.power < 0.05 - 4 * np.sqrt(0.045 * 0.955 / QUICK.replicates)


def test_serial_correlation_leaves_randomised_pairs_their_level(make_plan):
    row = operating_characteristics(
        make_plan(phi=0.6, block_sd=0.0), grid=Grid(blocks=(8,)), settings=QUICK
    ).rows[0]
    assert within_4_errors(row.power, 0.05, QUICK.replicates)


def test_carryover_biases_a_trial_that_ignores_it(make_plan):
    # our own simulation elsewhere: 8 pairs, 1 noise SD left over, ignored: 0.129
    plan = make_plan(carryover=1.0, block_sd=0.0)
    row = operating_characteristics(plan, grid=Grid(blocks=(8,)), settings=QUICK).rows[0]
    assert 0.11 < row.power < 0.15
    adjusted = make_plan(carryover=1.0, block_sd=0.0, analysis={"carryover": "adjusted"})
    row = operating_characteristics(adjusted, grid=Grid(blocks=(8,)), settings=QUICK).rows[0]
    assert within_4_errors(row.power, 0.05, QUICK.replicates)


def test_declared_looks_keep_the_error_and_save_blocks(make_plan):
    plan = make_plan(blocks=8, analysis={"looks": (4, 6), "spending": "pocock"})
    rows = operating_characteristics(plan, grid=Grid(blocks=(8,)), settings=QUICK).rows
    # limits themselves were found by simulation: 0.0005 more
    assert abs(rows[0].power - 0.05) < 4 * np.sqrt(0.05 * 0.95 / QUICK.replicates) + 0.002
    assert rows[-1].mean_blocks < 6.5
    assert rows[0].mean_blocks > 7.5


def test_an_interrupt_keeps_what_is_done(make_plan):
    seen = []

    def stop_after_ten(progress):
        seen.append(progress)
        if len(seen) == 10:
            raise KeyboardInterrupt

    plan, grid = make_plan(), Grid(blocks=(4, 6, 8))
    asked = SimulationSettings(replicates=50 * CHUNK, seed=5)
    result = operating_characteristics(plan, grid=grid, settings=asked, progress=stop_after_ten)
    assert result.interrupted
    assert result.replicates == 3 * CHUNK
    assert any("stopped early" in note for note in result.notes)
    done = operating_characteristics(
        plan, grid=grid, settings=SimulationSettings(replicates=3 * CHUNK, seed=5)
    )
    first = [row for row in result.rows if row.blocks == 8]
    assert [r.power for r in first] == [r.power for r in done.rows if r.blocks == 8]


def test_an_interrupt_while_looking_for_the_fewest_keeps_the_table(make_plan):
    seen = []

    def stop_in_the_search(progress):
        seen.append(progress.done)
        if len(seen) > 1 and seen[-1] < seen[-2]:  # the second run begins
            raise KeyboardInterrupt

    result = operating_characteristics(
        make_plan(), settings=SMALL, progress=stop_in_the_search, grid=Grid(wanted=0.99)
    )
    assert result.interrupted
    assert {row.blocks for row in result.rows} >= {4, 6, 8, 10, 12, 16}
    stopped = smallest_gain(make_plan(), settings=SMALL, progress=_stop)
    assert stopped.interrupted
    assert stopped.gain is None


def _stop(_progress):
    raise KeyboardInterrupt


def test_progress_ends_at_the_whole(make_plan):
    seen = []
    operating_characteristics(
        make_plan(), grid=Grid(blocks=(4, 6)), settings=SMALL, progress=seen.append
    )
    assert seen[-1].done == seen[-1].total == 10_000
    assert seen[-1].seconds_left == pytest.approx(0.0)
    assert all(a.done < b.done for a, b in pairwise(seen))


@pytest.mark.parametrize("method", ["auto", "serial"])
def test_memory_of_a_chunk_stays_within_its_budget(make_plan, method):
    import tracemalloc

    plan = make_plan(blocks=24, missing=0.1, analysis={"trend": "linear", "method": method})
    cells = []

    def keep(given, *_args, **_kwargs):
        cells.extend(given)
        raise KeyboardInterrupt

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("trialkit.planning.characteristics.run_cells", keep)
        with pytest.raises(KeyboardInterrupt):
            operating_characteristics(plan, grid=Grid(blocks=(24,)))
    tracemalloc.start()
    # the serial fit holds 512 trials at a time however many there are
    chunks.run_chunk(cells[0], 1, 0, CHUNK if method == "auto" else 520)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < runners.MB_PER_CHUNK * 1e6


def test_what_cannot_be_planned_says_why(make_plan):
    from dataclasses import replace

    plan = make_plan()
    nameless = replace(plan, outcomes=(replace(plan.outcomes[0], typical_error=None),))
    with pytest.raises(UnanswerableError, match="no typical error"):
        operating_characteristics(nameless)
    two = replace(plan, outcomes=plan.outcomes * 2)
    with pytest.raises(UnanswerableError, match="no single primary outcome"):
        operating_characteristics(two)
    with pytest.raises(RequestError, match="not a scheme"):
        operating_characteristics(make_plan(scheme="dice"))
    with pytest.raises(RequestError, match="blocks"):
        Grid(blocks=(0,))
    with pytest.raises(RequestError, match="replicates"):
        SimulationSettings(replicates=3)


def test_a_stated_truth_overrides_the_plan(make_plan):
    plan, grid = make_plan(missing=0.2), Grid(blocks=(8,))
    whole = operating_characteristics(plan, grid=grid, settings=SMALL, truth=Truth())
    same = operating_characteristics(make_plan(), grid=grid, settings=SMALL)
    assert whole.rows == same.rows
