"""An invented trial for the tests of the page: a cyclist, 4-minute efforts, a warm-up or none.

All figures are made with NumPy from one seed; nobody was measured.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np

from trialkit.domain.conditions import Condition
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Better, Outcome, Role, Scale, TypicalError, Worthwhile
from trialkit.domain.plans import Blinding, CalendarPlan, DesignPlan, Plan, RestPlan, Span
from trialkit.report.content import (
    Amendment,
    BlindingRecord,
    ChannelCurves,
    CurveBand,
    Harm,
    LogEntry,
    NullDistribution,
    OutcomeResult,
    PageContent,
    PeriodRow,
    QualityRow,
    SealFacts,
    Status,
)
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.randomisation import sign_flip_test

POWER = Outcome(
    name="power",
    label="Mean power",
    unit="W",
    better=Better.HIGHER,
    worthwhile=Worthwhile(4.0, "W", "the athlete would get up 20 min earlier for it"),
    typical_error=TypicalError(5.0, "W", 9.0, "invented run-in of ten efforts"),
)
HEART = Outcome(
    name="heart",
    label="Mean heart rate",
    unit="bpm",
    better=Better.LOWER,
    role=Role.SECONDARY,
)
EFFORT = Outcome(
    name="rpe",
    label="Perceived effort",
    unit="points",
    better=Better.LOWER,
    role=Role.SECONDARY,
    subjective=True,
)
PLAN = Plan(
    title="Warm-up before a 4-minute effort",
    question="Does a 20 min warm-up raise mean power over a 4-minute effort?",
    athlete="an invented cyclist",
    conditions=(
        Condition("none", "no warm-up", "5 min easy spinning, nothing else", reference=True),
        Condition("warmup", "a 20 min warm-up", "20 min rising to 80 % of effort power"),
    ),
    outcomes=(POWER, HEART, EFFORT),
    design=DesignPlan("randomised-pairs", blocks=8, block_size=2, familiarisation=2),
    rest=RestPlan(between_sessions=Span(2, 4, "day")),
    calendar=CalendarPlan(start=date(2026, 3, 2), time_zone="Europe/Berlin"),
    blinding=Blinding(opens_sequence="training partner", blind=("analyst",)),
    cautions=("Maximal efforts: never alone, and not with any symptom listed below.",),
    invented=True,
    details={
        "trial.background": "Warm-ups cost time; whether this athlete gains from one is unknown.",
        "trial.setting": "home trainer, garage, about 18 °C",
    },
)


def make_content(
    effect: float = 9.0,
    *,
    noise: float = 5.0,
    seed: int = 20260302,
    plan: Plan = PLAN,
    missing: bool = True,
) -> PageContent:
    """A whole page's content with a built-in effect (W) of the warm-up."""
    rng = np.random.default_rng(seed)
    rows = _periods(plan, rng, effect=effect, noise=noise, missing=missing)
    results = tuple(_result(o, rows) for o in plan.outcomes)
    return PageContent(
        plan=plan,
        estimates=results,
        periods=rows,
        generated_at="2 May 2026",
        curves=_curves(rows, rng),
        deviations=(
            LogEntry("2026-03-20 18:40", "Fan was off for the first minute.", 8, "rider"),
            LogEntry("2026-04-02 09:00", "Illness: session not held.", 13, "rider"),
        ),
        amendments=(
            Amendment("2026-03-10", "calendar.window", "17:00-19:00", "16:00-19:00", "new shift"),
        ),
        harms=(Harm(6, "none", "tight calf for a day", "mild"),),
        blinding=(
            BlindingRecord("analyst", 8, 4),
            BlindingRecord("rider", expectation="a 20 min warm-up"),
        ),
        quality=(
            QualityRow("power", "16 of 16 recordings complete", True),
            QualityRow("heart rate", "gap of 14 s, outside the effort", False, 5),
        ),
        seal=SealFacts(
            protocol_sha256="9f2c" * 16,
            commitment="51ab" * 16,
            seed=20260302,
            method="pcg64-pairs-1",
            frozen_at="2026-03-01 20:00 UTC",
            journal_head="77de" * 16,
        ),
        versions={"trialkit": "0.1.0", "numpy": "2"},
        invented=True,
    )


def _periods(plan, rng, *, effect, noise, missing):
    rows = []
    start = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)
    for block in range(1, plan.design.blocks + 1):
        day_form = rng.normal(0, 6)
        order = ["none", "warmup"] if rng.random() < 0.5 else ["warmup", "none"]
        for condition in order:
            number = len(rows) + 1
            planned = start + timedelta(days=3 * (number - 1))
            lift = effect if condition == "warmup" else 0.0
            values = {
                "power": round(312 + day_form + lift + rng.normal(0, noise), 1),
                "heart": round(171 - 0.3 * lift + rng.normal(0, 2.5), 1),
                "rpe": float(round(16.5 - 0.05 * lift + rng.normal(0, 0.7))),
            }
            row = PeriodRow(
                number, block, number, condition, condition, planned,
                planned + timedelta(minutes=int(rng.integers(-20, 25))), values=values,
            )  # fmt: skip
            rows.append(row)
    if missing:
        rows[12] = replace(
            rows[12], status=Status.MISSED, values={}, delivered_condition=None,
            actual_start=None, note="illness",
        )  # fmt: skip
        rows[7] = replace(rows[7], note="fan off for the first minute")
    return tuple(rows)


def _observations(outcome: Outcome, rows: tuple[PeriodRow, ...]) -> Observations:
    used = [r for r in rows if r.value(outcome.name) is not None]
    values = np.array([r.value(outcome.name) for r in used], dtype=float)
    return Observations(
        value=np.log(values) if outcome.scale is Scale.LOG else values,
        condition=np.array([r.delivered_condition for r in used]),
        block=np.array([str(r.block) for r in used]),
        reference="none",
        time=np.array([float(r.number) for r in used]),
        name=outcome.name,
        unit=outcome.unit,
    )


def _result(outcome: Outcome, rows: tuple[PeriodRow, ...]) -> OutcomeResult:
    obs = _observations(outcome, rows)
    noise = outcome.typical_error
    answer = estimate(
        obs,
        options=EstimateOptions(
            better=outcome.better,
            margin=outcome.analysis_margin if outcome.role is Role.PRIMARY else None,
            planned_noise=outcome.analysis_noise,
            planned_df=None if noise is None else noise.df,
            scale=outcome.scale.value,
        ),
    )
    return OutcomeResult(outcome, answer, null=_null(obs) if outcome.name == "power" else None)


def _null(obs: Observations) -> NullDistribution:
    pairs = []
    for block in np.unique(obs.block):
        inside = obs.keep(obs.block == block)
        if inside.n == 2:
            warm = inside.condition == "warmup"
            pairs.append(float(inside.value[warm][0] - inside.value[~warm][0]))
    test = sign_flip_test(np.array(pairs))
    return NullDistribution(test.null, test.statistic, test.p, test.exact)


def _curves(rows, rng):
    grid = np.arange(-60.0, 300.0, 3.0)
    conditions = tuple(r.planned_condition for r in rows if r.status is Status.DONE)
    warm = np.array([c == "warmup" for c in conditions])
    effort = (grid >= 0) & (grid < 240)
    rise = 1 - np.exp(-np.maximum(grid, 0) / 30)
    fall = np.exp(-np.maximum(grid - 240, 0) / 60)
    made = []
    for channel, unit, base, span, gain in (
        ("Heart rate", "bpm", 95.0, 82.0, 8.0),
        ("Muscle oxygen", "%", 68.0, -34.0, -5.0),
    ):
        clean = base + span * rise * fall
        start = np.where(grid < 60, gain * np.exp(-np.abs(grid) / 60), 0.0)
        noise = rng.normal(0, 2.0, (warm.size, 1)) + rng.normal(0, 1.2, (warm.size, grid.size))
        values = clean + np.where(warm[:, None], start, 0.0) + noise
        gap = values[warm].mean(axis=0) - values[~warm].mean(axis=0)
        band = CurveBand(gap, gap - 4.0, gap + 4.0, p=0.02)
        marks = ((0.0, "start"), (120.0, "half way"), (240.0, "end"))
        made.append(ChannelCurves(channel, unit, grid, values, conditions, marks, band))
    assert effort.any()
    return tuple(made)
