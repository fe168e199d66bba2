"""What the page says follows the data: limits, periods, curves, small print, notes of quality."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_trial import EFFORT, PLAN, POWER

from trialkit.domain.estimates import Interval
from trialkit.domain.plans import Blinding, DesignPlan
from trialkit.report.content import (
    Amendment,
    BlindingRecord,
    ChannelCurves,
    CurveBand,
    Kind,
    LogEntry,
    NullDistribution,
    PeriodRow,
    QualityRow,
    SealFacts,
    Status,
    Stretch,
)
from trialkit.report.data_out import checklist_csv, data_files
from trialkit.report.numbers import POINT, Numbers
from trialkit.report.page import render_page
from trialkit.report.tables import (
    contrast_table,
    covariate_table,
    facts_table,
    period_table,
    quality_table,
)
from trialkit.report.words.findings import of_curves, of_null, of_periods
from trialkit.report.words.limits import limits_of
from trialkit.report.words.page import (
    ADJUSTED,
    CHANGED_RULE,
    NO_GUESSES,
    UNADJUSTED,
    VERDICT_SMALL_PRINT,
    blinding_lines,
    others_rule,
    verdict_small_print,
)
from trialkit.report.words.verdicts import Names

NAMES = Names("a warm-up", "no warm-up", "Heart rate")


def rows(*states):
    """Periods as (planned, delivered, status)."""
    return tuple(
        PeriodRow(i, i, i, planned, held, status=status, values={"power": 300.0})
        for i, (planned, held, status) in enumerate(states, start=1)
    )


ALL_KINDS = rows(
    ("none", "none", Status.DONE),
    ("warmup", "none", Status.DONE),
    ("warmup", None, Status.MISSED),
    ("none", "none", Status.EXCLUDED),
    ("", None, Status.PLANNED),
)


def test_periods_are_counted_for_what_they_were():
    said = of_periods(POWER, ALL_KINDS)
    assert said == (
        "Mean power in 2 of 5 periods in time order; 1 missed, 1 left out of the analysis, "
        "1 still to come, 1 not under the condition that was drawn."
    )
    held = of_periods(POWER, ALL_KINDS[:1])
    assert held.endswith("every period held was under the condition that was drawn.")


def test_limits_name_what_this_trial_adds(content):
    told = " ".join(limits_of(replace(content, periods=ALL_KINDS)))
    assert "1 planned period has not been held yet" in told
    assert "2 periods have been missed, aborted or left out" in told
    assert "1 period has been held under another condition" in told
    assert "knew the condition: perceived effort" in told
    assert "late" not in told


def test_a_plain_trial_has_only_the_limits_of_every_trial(make_content):
    plan = replace(PLAN, outcomes=(POWER,))
    content = make_content(plan=plan, missing=False)
    assert len(limits_of(content)) == 3


def test_a_blind_athlete_who_rates_is_no_limit(content):
    plan = replace(PLAN, blinding=Blinding(blind=("athlete",)))
    assert EFFORT.subjective
    assert "knew the condition" not in " ".join(limits_of(replace(content, plan=plan)))


def test_few_pairs_and_a_fixed_order_are_limits(content):
    few = replace(PLAN, design=DesignPlan("randomised-pairs", blocks=5, block_size=2))
    assert "comes by chance in 6% of trials" in " ".join(limits_of(replace(content, plan=few)))
    fixed = replace(PLAN, design=DesignPlan("fixed", blocks=8, block_size=2))
    assert "fixed, not drawn" in " ".join(limits_of(replace(content, plan=fixed)))


def test_late_changes_are_counted_as_limits(content):
    late = LogEntry("2026-05-01", "power corrected, after the data were opened, 1 → 2: slip")
    assert "1 entry has been changed after" in " ".join(
        limits_of(replace(content, deviations=(late,)))
    )


def test_the_small_print_follows_the_amendments(content):
    assert verdict_small_print(content) == VERDICT_SMALL_PRINT
    changed = Amendment("2026-04-01", "outcomes.power.worthwhile", "4", "2", "second thoughts")
    assert verdict_small_print(replace(content, amendments=(changed,))) == CHANGED_RULE
    bare = replace(content.primary, estimate=replace(content.primary.estimate, decision=None))
    assert verdict_small_print(replace(content, estimates=(bare,))) == ""


def test_the_rule_for_other_outcomes_says_what_was_done(content):
    assert others_rule(content).endswith(UNADJUSTED)
    first = content.estimates[1]
    contrast = replace(first.estimate.contrasts[0], p_adjusted=0.5)
    adjusted = replace(first, estimate=replace(first.estimate, contrasts=(contrast,)))
    content = replace(content, estimates=(content.estimates[0], adjusted))
    assert others_rule(content).endswith(ADJUSTED)
    assert others_rule(replace(content, estimates=content.estimates[:1])) == ""


def band(*stretches, p=0.03):
    line = np.array([0.0, 2.0, 5.0, -1.0])
    return CurveBand(line, line - 1, line + 1, p=p, stretches=stretches)


def curves(found, no_band=""):
    grid = np.array([0.0, 2.0, 4.0, 6.0])
    values = np.zeros((2, 4))
    return ChannelCurves(
        "heart_rate", "bpm", grid, values, ("none", "warmup"), band=found, no_band=no_band
    )


def test_curves_say_where_they_differ_and_only_there():
    two = of_curves(curves(band(Stretch(2, 4, 5.0), Stretch(6, 6, -1.0))), NAMES, POINT)
    assert "largest mean difference +5.0 bpm at 4 s" in two.replace("\u00a0", " ")
    assert "(p 0.030 for the whole curve): 2 to 4 s (up to +5.0 bpm); 6 s (−1.0 bpm)." in (
        two.replace("\u00a0", " ")
    )
    none = of_curves(curves(band(p=0.4)), NAMES, POINT)
    assert "Nowhere is the difference beyond what noise alone gives (p 0.40" in none


def test_many_stretches_are_told_together():
    many = [Stretch(10.0 * i, 10.0 * i + 2, float(i)) for i in range(6)]
    said = of_curves(curves(band(*many)), NAMES, POINT).replace("\u00a0", " ")
    assert "in 6 stretches between 0 and 52 s (up to +5.0 bpm)" in said


def test_curves_without_a_band_say_why():
    said = of_curves(curves(None, "a band needs at least 6 blocks"), NAMES, POINT)
    assert said.endswith("No band: a band needs at least 6 blocks.")


def test_the_null_says_all_orders_only_of_an_exact_test():
    values = np.arange(9.0)
    assert "Of all 256 possible" in of_null(NullDistribution(values, 1, 0.1, True, 256), POINT)
    sampled = of_null(NullDistribution(values, 1, 0.1, False, 9999), POINT)
    assert "Of 9999 randomly drawn" in sampled


def test_tables_name_the_level_that_was_used(content):
    assert "95 % range" in contrast_table(content, POINT).heads
    result = content.primary
    contrast = replace(result.contrast, interval=Interval(1.0, 2.0, 0.9865))
    other = replace(result, estimate=replace(result.estimate, contrasts=(contrast,)))
    assert "98.65 % range" in contrast_table(replace(content, estimates=(other,)), POINT).heads
    assert "98.65 % range" in render_page(replace(content, estimates=(other,), curves=()))


def test_rests_and_what_was_noted_reach_page_and_files(content):
    first, second, *others = content.periods
    noted = replace(second, rest=1, rest_unit="day", since_h=71.5, covariates={"sleep_h": 7.25})
    content = replace(content, periods=(first, noted, *others))
    table = period_table(content, POINT)
    assert table.rows[1][table.heads.index("Rest drawn")] == "1\u00a0day"
    beside = covariate_table(content, Numbers(decimal_comma=True))
    assert beside.rows == (("2", content.label(second.planned_condition), "3,0 days", "7,25"),)
    assert "What else was noted" in render_page(content)
    files = data_files(content)
    assert "trial,2,sleep_h,7.25" in files["covariates.csv"]
    assert ",1,day,71.5," in files["periods.csv"]
    assert covariate_table(replace(content, periods=(first,)), POINT).rows == ()


def test_practice_is_not_said_to_be_under_a_condition(content):
    practice = PeriodRow(1, 0, 0, "", None, values={"power": 300.0}, kind=Kind.FAMILIARISATION)
    row = period_table(replace(content, periods=(practice,)), POINT).rows[0]
    assert row[:5] == ("familiarisation 1", "–", "–", "–", "–")


def test_the_seed_is_told_or_why_not(content):
    told = dict(facts_table(content).rows)
    assert told["Seed"] == "20260302"
    sealed = SealFacts("9f" * 32, why_no_seed="with the keyholder")
    assert dict(facts_table(replace(content, seal=sealed)).rows)["Seed"] == "with the keyholder"


def test_equal_checks_of_neighbouring_periods_share_a_row(content):
    checks = tuple(QualityRow("Power", "fine", period=n) for n in (1, 2, 3, 5))
    content = replace(content, quality=(*checks, QualityRow("Power", "gap", ok=False, period=4)))
    assert [row[1] for row in quality_table(content).rows] == ["1 to 3, 5", "4"]
    assert [row[3] for row in quality_table(content, faults_only=True).rows] == ["gap"]


def test_an_expectation_without_guesses_counts_none(content):
    record = BlindingRecord("athlete", expectation="a warm-up")
    lines = blinding_lines(replace(content, blinding=(record,)))
    assert lines[-1] == NO_GUESSES
    assert "Expected to do better, by athlete: a warm-up." in lines


def test_each_person_who_guessed_is_told_apart(content):
    told = (
        BlindingRecord("athlete", 3, 1, expectation="a warm-up"),
        BlindingRecord("doctor", 1, 1, expectation="no difference", unknown=2),
    )
    lines = blinding_lines(replace(content, blinding=told))
    assert "Expected to do better, by athlete: a warm-up; by doctor: no difference." in lines
    assert (
        "Guesses of the condition by athlete: 3 made, 1 right; blind guessing gives about 1.5 "
        "right." in lines
    )
    assert lines[-1].endswith("about 0.5 right; 2 times “do not know”.")


def test_the_checklist_is_a_table_file(content):
    lines = checklist_csv(content).splitlines()
    assert lines[0] == "item,asks,state,answer"
    assert len(lines) == 1 + 44


@pytest.mark.parametrize("equal", [0, 3])
def test_every_pair_can_be_counted_in_the_picture(content, equal):
    from matplotlib.figure import Figure

    from trialkit.report.figures.difference import draw_difference

    pairs = (*([2.0] * equal), 5.0, 1.0)
    ax = Figure().subplots()
    draw_difference(ax, content.primary, pairs=pairs)
    (line,) = [found for found in ax.lines if found.get_label() == "pairs"]
    places = set(zip(line.get_xdata(), np.round(line.get_ydata(), 6), strict=True))
    assert len(places) == len(pairs)
