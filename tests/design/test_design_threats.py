"""Every threat is seen firing, with its size, and staying silent."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from typing import Any

import numpy as np
import pytest

from trialkit.design.threats import find_threats
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Better, Outcome, Role, Scale, TypicalError, Worthwhile
from trialkit.domain.plans import (
    AnalysisPlan,
    Blinding,
    CalendarPlan,
    Constraints,
    Expected,
    Hazards,
    Plan,
    RestPlan,
    Span,
)
from trialkit.statistics.estimate import EstimateOptions, estimate

SAME_EVENING = RestPlan(Span(30, 40, "min"), Span(2, 4, "day"))
ABAB = ("without", "with") * 4
CANNOT, WEAK, NOTE = Severity.CANNOT_ANSWER, Severity.WEAK, Severity.NOTE


def found(plan: Plan, threat_id: str) -> Threat | None:
    hits = [threat for threat in find_threats(plan) if threat.id == threat_id]
    assert len(hits) <= 1
    return hits[0] if hits else None


def primary(plan: Plan, **fields: Any) -> Plan:
    return replace(plan, outcomes=(replace(plan.outcomes[0], **fields),))


def unborrowed(plan: Plan) -> Plan:
    """The same plan with a typical error that cannot be borrowed."""
    return primary(plan, typical_error=TypicalError(4.0, "W", None, "invented"))


def test_a_sound_plan_has_no_threats(make_plan: Any) -> None:
    assert find_threats(make_plan()) == ()


# id, what changes the sound plan, severity, size, unit
FIRING: list[tuple[str, Any, Severity, float | None, str | None]] = [
    (
        "order-and-effect",
        lambda make: make(scheme="fixed", blocks=4, order=ABAB),
        CANNOT,
        1.0,
        "times the drift per period",
    ),
    (
        "order-and-effect",
        lambda make: make(scheme="fixed", blocks=4, order=("without",) * 4 + ("with",) * 4),
        CANNOT,
        4.0,
        "times the drift per period",
    ),
    (
        "order-and-effect",
        lambda make: make(
            scheme="fixed", blocks=4, order=("without", "with", "with", "without") * 2
        ),
        WEAK,
        0.0,
        "times the drift per period",
    ),
    (
        # Half a typical error of 4 W drift per period, 4 drift steps: 8 W.
        "order-and-effect",
        lambda make: replace(
            make(scheme="fixed", blocks=4, order=("without",) * 4 + ("with",) * 4),
            expected=Expected(drift=-0.5),
        ),
        CANNOT,
        8.0,
        "W",
    ),
    ("order-and-effect", lambda make: make(blocks=1), CANNOT, 1.0, "times the drift per period"),
    (
        "drift-in-phases",
        lambda make: make(
            scheme="phase-change",
            blocks=1,
            block_size=28,
            constraints=Constraints(min_phase=4),
        ),
        WEAK,
        14.0,
        "times the drift per period",
    ),
    (
        "too-few-sequences",
        lambda make: make(
            scheme="phase-change",
            blocks=1,
            block_size=12,
            constraints=Constraints(min_phase=4),
        ),
        CANNOT,
        5.0,
        "orders",
    ),
    ("smallest-p", lambda make: make(blocks=5), WEAK, 0.0625, "p"),
    (
        # Variance of AAAABBBB under phi 0.5 is 0.8115234375 (w'Rw) against 0.5.
        "autocorrelation-ignored",
        lambda make: replace(
            make(scheme="fixed", blocks=4, order=("without",) * 4 + ("with",) * 4),
            expected=Expected(phi=0.5),
        ),
        WEAK,
        (0.8115234375 / 0.5) ** 0.5,
        "times the assumed standard error",
    ),
    ("no-noise-estimate", lambda make: make(blocks=1), CANNOT, 0.0, "degrees of freedom"),
    ("too-few-blocks", lambda make: unborrowed(make(blocks=2)), CANNOT, 2.0, "pairs"),
    ("too-few-blocks", lambda make: unborrowed(make(blocks=3)), CANNOT, 3.0, "pairs"),
    (
        # A declared method that does not borrow, however well the typical error is known.
        "too-few-blocks",
        lambda make: replace(make(blocks=3), analysis=AnalysisPlan(method="paired")),
        CANNOT,
        3.0,
        "pairs",
    ),
    (
        # Three pairs of three conditions: 6 - 3 - 2 = 1 degree of freedom inside blocks.
        "too-few-blocks",
        lambda make: unborrowed(make(3, scheme="incomplete-blocks", blocks=3, block_size=2)),
        CANNOT,
        3.0,
        "blocks",
    ),
    (
        "no-noise-estimate",
        lambda make: replace(make(blocks=1), analysis=AnalysisPlan(method="bayes")),
        WEAK,
        0.0,
        "degrees of freedom",
    ),
    ("no-typical-error", lambda make: primary(make(), typical_error=None), WEAK, None, None),
    (
        "typical-error-without-df",
        lambda make: primary(make(), typical_error=TypicalError(4.0, "W", None, "a colleague")),
        NOTE,
        None,
        None,
    ),
    (
        # Table 1.6b of the methods page: 3.01 typical errors for 4 pairs; 4 W each.
        "margin-beyond-detection",
        lambda make: make(blocks=4),
        WEAK,
        12.037,
        "W",
    ),
    (
        "margin-beyond-detection",
        lambda make: primary(make(), worthwhile=Worthwhile(5.0, "W", "invented")),
        NOTE,
        6.5395,
        "W",
    ),
    (
        # Two half-lives leave a quarter.
        "left-over",
        lambda make: primary(make(), half_life_min=1440.0),
        WEAK,
        25.0,
        "%",
    ),
    (
        "left-over",
        lambda make: primary(make(), half_life_min=2880.0 * 2),
        CANNOT,
        100 * 2**-0.5,
        "%",
    ),
    (
        "left-over",
        lambda make: replace(primary(make(), half_life_min=60.0), rest=RestPlan()),
        WEAK,
        None,
        None,
    ),
    ("left-over", lambda make: replace(make(), expected=Expected(carryover=-0.5)), WEAK, 2.0, "W"),
    (
        "left-over",
        lambda make: replace(primary(make(), typical_error=None), expected=Expected(carryover=0.5)),
        WEAK,
        0.5,
        "typical errors",
    ),
    (
        "rest-below-washout",
        lambda make: replace(
            make(),
            rest=RestPlan(between_sessions=Span(2, 4, "day"), washout=Span(5, 7, "day")),
        ),
        WEAK,
        3.0,
        "day",
    ),
    (
        "first-bout-prepares",
        lambda make: replace(
            make(periods_per_session=2, first_period_prepares_next=True),
            rest=RestPlan(Span(30, 40, "min"), Span(2, 4, "day")),
        ),
        CANNOT,
        30.0,
        "min of rest",
    ),
    (
        "first-bout-prepares",
        lambda make: replace(
            make(periods_per_session=2),
            rest=RestPlan(Span(45, 60, "min"), Span(2, 4, "day")),
            expected=Expected(carryover=0.5),
        ),
        WEAK,
        2.0,
        "W",
    ),
    (
        "first-bout-prepares",
        lambda make: replace(
            make(periods_per_session=2), rest=SAME_EVENING, hazards=Hazards(effort="submaximal")
        ),
        NOTE,
        30.0,
        "min of rest",
    ),
    ("no-familiarisation", lambda make: make(familiarisation=0), WEAK, 1.5, "%"),
    (
        # No figure in the plan: 1.2 % between the first two trials (Hopkins et al. 2001).
        "no-familiarisation",
        lambda make: primary(make(familiarisation=0), familiarisation_gain=None),
        WEAK,
        1.2,
        "%",
    ),
    ("matched-work", lambda make: make(matched_work=True), CANNOT, 100.0, "%"),
    (
        "time-of-day",
        lambda make: replace(make(), calendar=CalendarPlan(window=(time(8), time(20)))),
        WEAK,
        11.0,
        "h",
    ),
    ("time-of-day", lambda make: replace(make(), calendar=CalendarPlan()), NOTE, None, None),
    (
        "cannot-respond",
        lambda make: make(conditions_act_within_period=False),
        CANNOT,
        None,
        None,
    ),
    (
        "two-primaries",
        lambda make: replace(
            make(), outcomes=(make().outcomes[0], replace(make().outcomes[0], name="speed"))
        ),
        CANNOT,
        2.0,
        "primary outcomes",
    ),
    ("no-primary", lambda make: primary(make(), role=Role.SECONDARY), CANNOT, 0.0, None),
    ("no-margin", lambda make: primary(make(), worthwhile=None), WEAK, None, None),
    ("unblinded-subjective", lambda make: primary(make(), subjective=True), WEAK, 0.36, "SD"),
    (
        "undeclared-looks",
        lambda make: replace(make(), analysis=AnalysisPlan(max_blocks=12)),
        WEAK,
        None,
        "%",
    ),
]


@pytest.mark.parametrize(
    ("threat_id", "change", "severity", "size", "unit"), FIRING, ids=[row[0] for row in FIRING]
)
def test_the_rule_fires_with_its_size(
    make_plan: Any,
    threat_id: str,
    change: Any,
    severity: Severity,
    size: float | None,
    unit: str | None,
) -> None:
    threat = found(change(make_plan), threat_id)
    assert threat is not None
    assert threat.severity is severity
    assert threat.text.endswith(".")
    assert threat.fix.endswith(".")
    if size is not None:
        assert threat.size == pytest.approx(size, rel=1e-4)
    if unit is not None:
        assert threat.unit == unit


# Near misses: plans that look like the threat but are not.
SILENT: list[tuple[str, Any]] = [
    ("order-and-effect", lambda make: make(blocks=2)),
    ("drift-in-phases", lambda make: make()),
    (
        "too-few-sequences",
        lambda make: make(
            scheme="phase-change", blocks=1, block_size=28, constraints=Constraints(min_phase=4)
        ),
    ),
    ("smallest-p", lambda make: make(blocks=6)),
    ("smallest-p", lambda make: make(scheme="fixed", blocks=4, order=ABAB)),
    ("autocorrelation-ignored", lambda make: replace(make(), expected=Expected(phi=0.5))),
    (
        "autocorrelation-ignored",
        lambda make: replace(
            make(scheme="fixed", blocks=4, order=ABAB),
            expected=Expected(phi=0.5),
            analysis=AnalysisPlan(method="serial"),
        ),
    ),
    ("no-noise-estimate", lambda make: make(blocks=2)),
    ("no-noise-estimate", lambda make: make(scheme="restricted", blocks=1, block_size=12)),
    ("too-few-blocks", lambda make: make(blocks=2)),  # its typical error has df to borrow
    ("too-few-blocks", lambda make: unborrowed(make(blocks=4))),
    (
        "too-few-blocks",
        lambda make: unborrowed(make(3, scheme="incomplete-blocks", blocks=6, block_size=2)),
    ),
    ("no-typical-error", lambda make: make()),
    ("typical-error-without-df", lambda make: make()),
    ("margin-beyond-detection", lambda make: make(blocks=8)),
    # Five half-lives leave 3 %.
    ("left-over", lambda make: primary(make(), half_life_min=2880.0 / 5)),
    (
        "left-over",
        lambda make: replace(
            make(),
            expected=Expected(carryover=0.5),
            analysis=AnalysisPlan(carryover="adjusted"),
        ),
    ),
    (
        "rest-below-washout",
        lambda make: replace(
            make(),
            rest=RestPlan(
                between_sessions=Span(2, 4, "day"), washout=Span(48 * 60, 60 * 60, "min")
            ),
        ),
    ),
    (
        "first-bout-prepares",
        lambda make: replace(
            make(periods_per_session=2),
            rest=RestPlan(Span(180, 240, "min"), Span(2, 4, "day")),
        ),
    ),
    ("first-bout-prepares", lambda make: make(first_period_prepares_next=True)),
    (
        "first-bout-prepares",
        lambda make: replace(
            make(periods_per_session=2), rest=SAME_EVENING, hazards=Hazards(effort="none")
        ),
    ),
    ("no-familiarisation", lambda make: make(familiarisation=0, baseline=3)),
    ("no-familiarisation", lambda make: primary(make(familiarisation=0), familiarisation_gain=0.0)),
    ("time-of-day", lambda make: make()),
    (
        "time-of-day",
        lambda make: replace(
            make(periods_per_session=2, constraints=Constraints(balance="time_of_day")),
            calendar=CalendarPlan(window=(time(8), time(20))),
        ),
    ),
    ("cannot-respond", lambda make: make()),
    ("two-primaries", lambda make: make()),
    ("no-primary", lambda make: make()),
    ("no-margin", lambda make: make()),
    (
        "unblinded-subjective",
        lambda make: replace(
            primary(make(), subjective=True), blinding=Blinding(blind=("athlete",))
        ),
    ),
    (
        "undeclared-looks",
        lambda make: replace(make(), analysis=AnalysisPlan(max_blocks=12, looks=(8, 12))),
    ),
    ("undeclared-looks", lambda make: replace(make(), analysis=AnalysisPlan(max_blocks=8))),
]


@pytest.mark.parametrize(("threat_id", "change"), SILENT, ids=[row[0] for row in SILENT])
def test_the_rule_stays_silent(make_plan: Any, threat_id: str, change: Any) -> None:
    assert found(change(make_plan), threat_id) is None


def test_every_rule_is_tested_both_ways() -> None:
    assert {row[0] for row in FIRING} == {row[0] for row in SILENT} | {"matched-work"}


def outcome(unit: str, **fields: Any) -> Outcome:
    return Outcome(name="y", label="y", unit=unit, better=Better.HIGHER, **fields)


@pytest.mark.parametrize(
    "kept",
    [
        outcome("bpm"),
        outcome("points", subjective=True),
        outcome("ms"),
        outcome("s", measure=MeasureRecipe("heart_rate", "effort", "rise_time_constant")),
        outcome("W", role=Role.CHECK),
    ],
)
def test_matched_work_leaves_body_signals_and_ratings_alone(make_plan: Any, kept: Outcome) -> None:
    assert found(make_plan(outcome=kept, matched_work=True), "matched-work") is None


@pytest.mark.parametrize(
    "paced",
    [
        outcome("s"),
        outcome("reps"),
        outcome("rounds"),
        outcome("m", measure=MeasureRecipe("distance", "effort", "last")),
    ],
)
def test_matched_work_removes_whatever_pacing_fixes(make_plan: Any, paced: Outcome) -> None:
    threat = found(make_plan(outcome=paced, matched_work=True), "matched-work")
    assert threat is not None
    assert threat.severity is CANNOT


def test_matched_work_only_weakens_a_secondary_outcome(make_plan: Any) -> None:
    plan = make_plan(outcome=outcome("bpm"), matched_work=True)
    plan = replace(plan, outcomes=(*plan.outcomes, outcome("W", role=Role.SECONDARY)))
    threat = found(plan, "matched-work")
    assert threat is not None
    assert threat.severity is WEAK


def test_two_tests_on_one_evening_come_back_with_all_that_is_wrong(make_plan: Any) -> None:
    """Invented: without, then with the warm-up, half an hour apart, ridden to the same power."""
    plan = make_plan(
        scheme="fixed",
        blocks=1,
        order=("without", "with"),
        periods_per_session=2,
        familiarisation=0,
        matched_work=True,
        first_period_prepares_next=True,
    )
    plan = replace(plan, rest=RestPlan(between_periods=Span(30, 30, "min")))
    grave = {t.id for t in find_threats(plan) if t.severity is CANNOT}
    assert grave >= {
        "order-and-effect",
        "no-noise-estimate",
        "first-bout-prepares",
        "matched-work",
    }


def test_the_gravest_come_first(make_plan: Any) -> None:
    plan = replace(make_plan(blocks=1, familiarisation=0), calendar=CalendarPlan())
    order = [threat.severity for threat in find_threats(plan)]
    assert order == sorted(order, key=[CANNOT, WEAK, NOTE].index)
    assert set(order) == {CANNOT, WEAK, NOTE}


def test_sizes_of_a_log_outcome_are_in_percent(make_plan: Any) -> None:
    plan = primary(
        make_plan(blocks=4),
        scale=Scale.LOG,
        typical_error=TypicalError(2.0, "%", 9.0, "invented"),
        worthwhile=Worthwhile(2.0, "%", "invented"),
    )
    threat = found(plan, "margin-beyond-detection")
    assert threat is not None
    # 3.0094 typical errors of ln(1.02), back from logs.
    assert threat.size == pytest.approx(100 * (1.02**3.009375 - 1), rel=1e-5)
    assert threat.unit == "%"


def test_the_number_of_blocks_advised_for_the_test_is_the_fewest(make_plan: Any) -> None:
    threat = found(make_plan(3, scheme="randomised-blocks", blocks=2), "smallest-p")
    assert threat is not None  # 2 / 6**2 = 0.056 is above 0.05, 2 / 6**3 = 0.009 is not
    assert threat.fix == "plan 3 blocks or more."


@pytest.mark.parametrize("blocks", range(2, 6))
@pytest.mark.parametrize("method", ["auto", "paired", "mixed", "bayes"])
@pytest.mark.parametrize("borrowable", [True, False])
def test_a_verdict_is_ruled_out_just_where_the_analysis_refuses_one(
    make_plan: Any, blocks: int, method: str, borrowable: bool
) -> None:
    plan = make_plan(blocks=blocks) if borrowable else unborrowed(make_plan(blocks=blocks))
    plan = replace(plan, analysis=AnalysisPlan(method=method))
    rng = np.random.default_rng(3)
    obs = Observations(
        value=rng.normal(300, 5, 2 * blocks),
        condition=np.tile(["without", "with"], blocks),
        block=np.repeat(np.arange(blocks).astype(str), 2),
        reference="without",
    )
    known = {"planned_noise": 4.0, "planned_df": 9.0} if borrowable else {}
    options = EstimateOptions(method=method, margin=7.0, **known)
    refused = estimate(obs, options=options).decision is None
    assert refused == (found(plan, "too-few-blocks") is not None)


@pytest.mark.parametrize("blocks", [2, 3])
def test_of_three_conditions_three_blocks_are_enough_for_a_verdict(
    make_plan: Any, blocks: int
) -> None:
    # (blocks - 1) x 2 degrees of freedom inside blocks: 2 and 4.
    plan = unborrowed(make_plan(3, scheme="randomised-blocks", blocks=blocks))
    rng = np.random.default_rng(4)
    obs = Observations(
        value=rng.normal(300, 5, 3 * blocks),
        condition=np.tile(["a", "b", "c"], blocks),
        block=np.repeat(np.arange(blocks).astype(str), 3),
        reference="a",
    )
    refused = estimate(obs, options=EstimateOptions(margin=7.0, primary_condition="b"))
    assert (refused.decision is None) == (found(plan, "too-few-blocks") is not None)
    assert (refused.decision is None) == (blocks == 2)


def test_the_fewest_blocks_advised_are_enough(make_plan: Any) -> None:
    plan = unborrowed(make_plan(3, scheme="incomplete-blocks", blocks=3, block_size=2))
    threat = found(plan, "too-few-blocks")
    assert threat is not None
    # 2b - b - 2 degrees of freedom in blocks of two, b a multiple of three: 6 is the first with 3
    assert "at least 6 blocks" in threat.fix


def test_no_fix_advises_what_is_so_already(make_plan: Any) -> None:
    fading = primary(make_plan(), half_life_min=5000.0)
    daily, doubled = (
        found(
            replace(
                fading, design=replace(fading.design, periods_per_session=n), rest=SAME_EVENING
            ),
            "left-over",
        )
        for n in (1, 2)
    )
    assert daily is not None
    assert doubled is not None
    assert "separate days" not in daily.fix
    assert "separate days" in doubled.fix
    single = found(make_plan(blocks=1), "order-and-effect")
    assert single is not None
    assert single.fix == "plan at least 6 blocks."  # its order is drawn already
    wide = found(
        replace(make_plan(), calendar=CalendarPlan(window=(time(8), time(20)))), "time-of-day"
    )
    assert wide is not None
    assert wide.fix.startswith("narrow")


def test_the_size_says_what_it_leaves_out(make_plan: Any) -> None:
    small = Worthwhile(2.0, "W", "invented")
    known = TypicalError(4.0, "W", None, "invented")
    plain = primary(make_plan(), worthwhile=small, typical_error=known)
    best = found(plain, "margin-beyond-detection")
    assert best is not None
    assert best.text.startswith("At best (every period held")
    assert "trialkit power" not in best.text
    more = replace(plain, expected=Expected(missing=0.05, tail_df=4.0))
    said = found(more, "margin-beyond-detection")
    assert said is not None
    assert said.size == best.size
    assert "also reckons with 5 % missed periods and outliers" in said.text
