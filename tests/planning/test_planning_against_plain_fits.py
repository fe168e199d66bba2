"""The batched fits against the plain single-trial path, replicate by replicate.

Tolerances: the two paths search the same restricted likelihood to 1e-9 in its own variable; where
the shared design tabulates the standard error and df, linear interpolation adds at most 2e-7.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.reference_sets import ReferenceSet
from trialkit.design.relabelled import RelabelledTables, incomplete_table
from trialkit.domain.estimates import Verdict
from trialkit.domain.observations import Observations
from trialkit.errors import UnanswerableError
from trialkit.planning.fits import Fits, Intervals
from trialkit.planning.flips import flip_intervals
from trialkit.planning.methods import Declared, analyse
from trialkit.planning.model_columns import Terms
from trialkit.planning.trials import Trials, Truth, simulate
from trialkit.planning.verdicts import ORDER, classify
from trialkit.statistics.estimate import EstimateOptions, estimate

NAMES = np.array(["ref", "one", "two"])
TRIALS = 16


def draw(conditions: int = 2, blocks: int = 6, truth: Truth | None = None, seed: int = 1) -> Trials:
    possible = ShuffledBlocks(tuple(NAMES[:conditions]), conditions * blocks)
    return simulate(
        possible,
        truth or Truth(),
        block_size=conditions,
        trials=TRIALS,
        rng=np.random.default_rng(seed),
    )


def rows_of(trials: Trials, trial: int) -> Observations:
    here = slice(None) if trials.present is None else trials.present[:, trial]
    periods = np.arange(trials.y.shape[0])
    return Observations(
        value=trials.y[here, trial],
        condition=NAMES[trials.codes[here, trial]],
        block=(periods // trials.block_size)[here].astype(np.str_),
        reference="ref",
        position=(periods % trials.block_size + 1.0)[here],
        time=(periods + 1.0)[here],
    )


CASES = {
    "complete pairs": (2, 6, Truth(), Terms(), "paired"),
    "complete pairs, random blocks": (2, 6, Truth(block_sd=0.5), Terms(), "mixed"),
    "pairs with periods missed": (2, 8, Truth(missing=0.12), Terms(), "mixed"),
    "pairs with periods missed, differences": (2, 8, Truth(missing=0.12), Terms(), "paired"),
    "pairs with a trend": (2, 6, Truth(drift=0.3), Terms(trend=True), "mixed"),
    "pairs with a trend, fixed blocks": (2, 6, Truth(drift=0.3), Terms(trend=True), "paired"),
    "pairs with a place effect": (2, 6, Truth(), Terms(period_effect=True), "paired"),
    "pairs, carryover adjusted": (2, 9, Truth(carryover=1.0), Terms(carryover=True), "mixed"),
    "pairs, trend, periods missed": (
        2,
        9,
        Truth(missing=0.1, drift=0.2, block_sd=2.0),
        Terms(trend=True),
        "mixed",
    ),
    "three conditions": (3, 5, Truth(), Terms(period_effect=True), "paired"),
    "three conditions, periods missed": (
        3,
        6,
        Truth(missing=0.1),
        Terms(trend=True, period_effect=True),
        "mixed",
    ),
    "three conditions, random blocks": (3, 5, Truth(), Terms(), "mixed"),
    "noise borrowed": (2, 3, Truth(), Terms(), "bayes"),
    "noise borrowed, periods missed": (2, 4, Truth(missing=0.2), Terms(), "bayes"),
    "the table's own choice, blocks alike": (
        2,
        7,
        Truth(missing=0.2, block_sd=0),
        Terms(),
        "auto-own",
    ),
    "the table's own choice, three conditions": (
        3,
        4,
        Truth(missing=0.1, block_sd=0),
        Terms(trend=True),
        "auto-own",
    ),
    "the table's own choice": (2, 5, Truth(missing=0.15), Terms(), "auto"),
    "the table's own choice, nothing to borrow": (2, 5, Truth(missing=0.15), Terms(), "auto-own"),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_each_trial_as_the_plain_path_has_it(case: tuple[int, int, Truth, Terms, str]) -> None:
    conditions, blocks, truth, terms, method = case
    trials = draw(conditions, blocks, truth)
    borrowed = None if method == "auto-own" else 8.0
    method = method.removesuffix("-own")
    answers = analyse(trials, Declared(method, 0.95, terms, borrowed))
    codes = classify(answers.intervals.moved(0.7), 0.8)
    answered = 0
    for trial in range(TRIALS):
        obs = rows_of(trials, trial)
        options = EstimateOptions(
            method=method,
            margin=0.8,
            planned_noise=None if borrowed is None else 1.0,
            planned_df=borrowed,
            period_effect=terms.period_effect,
            trend=terms.trend,
            carryover=terms.carryover,
            primary_condition="one",
            sensitivity=False,
        )
        try:
            plain = estimate(moved(obs, 0.7), options=options)
        except UnanswerableError:
            assert not np.isfinite(answers.intervals.half_width[trial])
            continue
        answered += 1
        first = plain.contrasts[0]
        assert first.condition == "one"
        ours = answers.intervals.moved(0.7)
        got = [ours.low[trial], ours.high[trial], ours.inner_low[trial], ours.inner_high[trial]]
        inner = first.interval_90
        assert inner is not None
        wanted = [first.interval.low, first.interval.high, inner.low, inner.high]
        assert got == pytest.approx(wanted, rel=1e-6, abs=1e-6)
        verdict = None if plain.decision is None else plain.decision.verdict
        expected = ORDER[codes[trial]] if answers.verdict[trial] else None
        assert expected is verdict
    assert answered > TRIALS * 0.8


def moved(obs: Observations, effect: float) -> Observations:
    return Observations(
        value=obs.value + effect * (obs.condition == "one"),
        condition=obs.condition,
        block=obs.block,
        reference=obs.reference,
        position=obs.position,
        time=obs.time,
    )


@pytest.mark.parametrize("missing", [0.0, 0.15])
@pytest.mark.parametrize("kind", ["blocks of days", "incomplete blocks"])
def test_other_blocks_as_the_plain_path_has_them(kind: str, missing: float) -> None:
    if kind == "blocks of days":
        possible: ReferenceSet = ShuffledBlocks(("ref", "one"), 30, days=3)
        size, method = 6, "auto"
    else:
        table = incomplete_table(3, 2)
        assert table is not None
        possible = RelabelledTables(("ref", "one", "two"), 24, table=table, shuffled=True)
        size, method = 2, "mixed"
    trials = simulate(
        possible,
        Truth(missing=missing),
        block_size=size,
        trials=TRIALS,
        rng=np.random.default_rng(3),
    )
    answers = analyse(trials, Declared(method, 0.95, Terms(), None))
    for trial in range(TRIALS):
        options = EstimateOptions(method=method, primary_condition="one", sensitivity=False)
        plain = estimate(rows_of(trials, trial), options=options).contrasts[0]
        got = (answers.intervals.low[trial], answers.intervals.high[trial])
        assert got == pytest.approx((plain.interval.low, plain.interval.high), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(("blocks", "missing"), [(3, 0.0), (6, 0.0), (6, 0.2)])
def test_blocks_never_complete_get_a_verdict_where_the_plain_path_gives_one(
    blocks: int, missing: float
) -> None:
    table = incomplete_table(3, 2)
    assert table is not None
    trials = simulate(
        RelabelledTables(("ref", "one", "two"), 2 * blocks, table=table, shuffled=True),
        Truth(missing=missing),
        block_size=2,
        trials=TRIALS,
        rng=np.random.default_rng(5),
    )
    given = analyse(trials, Declared("mixed", 0.95, Terms(), None)).verdict
    options = EstimateOptions(
        method="mixed", primary_condition="one", margin=1.0, sensitivity=False
    )
    for trial in range(TRIALS):
        rows = rows_of(trials, trial)
        try:
            assert given[trial] == (estimate(rows, options=options).decision is not None)
        except UnanswerableError:  # nothing left to judge by: the batch has no interval either
            assert not given[trial]
    # 2b - b - 2 degrees of freedom inside complete blocks of two: 1 with three, 4 with six
    if not missing:
        assert given.all() == (blocks == 6)
    else:
        assert set(given.tolist()) == {True, False}


def test_an_order_that_never_changes_is_fitted_together_as_one_by_one() -> None:
    trials = draw(truth=Truth(block_sd=0.4))
    same = np.repeat(trials.codes[:, :1], TRIALS, axis=1)
    present = np.ones(same.shape, dtype=bool)
    present[[3, 8]] = False
    fixed = Trials(trials.y, same, present, 2, 2)
    answers = analyse(fixed, Declared("mixed", 0.95, Terms(trend=True), None))
    for trial in range(TRIALS):
        plain = estimate(
            rows_of(fixed, trial), options=EstimateOptions(method="mixed", trend=True)
        ).contrasts[0]
        got = (answers.intervals.low[trial], answers.intervals.high[trial])
        assert got == pytest.approx((plain.interval.low, plain.interval.high), rel=1e-6, abs=1e-6)


def test_flip_intervals_as_the_plain_test_has_them() -> None:
    trials = draw(blocks=9, truth=Truth(missing=0.1))
    ours = flip_intervals(trials, 0.95)
    for trial in range(TRIALS):
        plain = estimate(
            rows_of(trials, trial).keep(complete(trials, trial)),
            options=EstimateOptions(method="randomisation", sensitivity=False),
        ).contrasts[0]
        got = (ours.low[trial], ours.high[trial])
        assert got == pytest.approx((plain.interval.low, plain.interval.high), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("fixed", [False, True], ids=["orders differ", "one order"])
@pytest.mark.parametrize("missing", [0.0, 0.1])
def test_serial_fits_as_the_plain_path_has_them(missing: float, fixed: bool) -> None:
    # Interpolation between correlations costs up to 1e-4 of a standard error.
    trials = draw(blocks=7, truth=Truth(missing=missing, phi=0.4, block_sd=0.0))
    if fixed:
        first = slice(0, 1)
        codes = np.repeat(trials.codes[:, first], TRIALS, axis=1)
        present = None
        if trials.present is not None:
            present = np.repeat(trials.present[:, first], TRIALS, axis=1)
        trials = Trials(trials.y, codes, present, 2, 2)
    answers = analyse(trials, Declared("serial", 0.95, Terms(trend=True), None))
    for trial in range(TRIALS):
        options = EstimateOptions(method="serial", trend=True, sensitivity=False)
        plain = estimate(rows_of(trials, trial), options=options)
        contrast = plain.contrasts[0]
        assert contrast.se is not None
        got = (answers.intervals.low[trial], answers.intervals.high[trial])
        wanted = (contrast.interval.low, contrast.interval.high)
        assert got == pytest.approx(wanted, rel=0, abs=2e-3 * contrast.se)


def complete(trials: Trials, trial: int) -> np.ndarray:
    assert trials.present is not None
    here = trials.present[:, trial].reshape(-1, 2)
    whole = np.repeat(here.all(axis=1), 2)
    return whole[trials.present[:, trial]]


def test_every_verdict_as_the_plain_rule_has_it() -> None:
    from trialkit.domain.estimates import Interval
    from trialkit.statistics.verdict import classify as plain

    # all corners of the rule, with ends on both sides of every limit
    ends = [(e - w, e + w) for e in np.linspace(-3, 3, 61) for w in (0.05, 0.3, 0.8, 1.5, 3.0)]
    low, high = np.array(ends).T
    middle, half = (low + high) / 2, (high - low) / 2 * 0.83
    codes = classify(Intervals(low, high, middle - half, middle + half), 1.0)
    wanted = [
        plain(Interval(a, b), Interval(m - h, m + h, 0.9), 1.0)
        for a, b, m, h in zip(low, high, middle, half, strict=True)
    ]
    assert [ORDER[code] for code in codes] == wanted
    assert set(wanted) == set(Verdict)


def test_borrowing_makes_one_pair_analysable() -> None:
    fits = Fits(np.array([6.0]), np.array([np.inf]), 2.0, 0.0).borrowing(8.0)
    assert np.isfinite(fits.se).all()
    assert fits.se == pytest.approx(np.sqrt(2.0))
