"""The first screen says no more than it knows: reasons, other methods, late changes, branches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_trial import PLAN, POWER

from trialkit.domain.conditions import Condition
from trialkit.domain.estimates import Decision, Interval, Noise, SensitivityRow, Verdict
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Role, Scale, Worthwhile
from trialkit.report.content import Amendment, OutcomeResult
from trialkit.report.numbers import POINT
from trialkit.report.page import render_page
from trialkit.report.terminal import plain_result, summarise
from trialkit.report.words.after import after_verdict
from trialkit.report.words.facts import CANNOT_TELL, facts
from trialkit.report.words.findings import of_difference
from trialkit.report.words.first_screen import first_screen_notes
from trialkit.report.words.pictures import row_pairs
from trialkit.report.words.verdicts import Names, headline, under
from trialkit.statistics.estimate import EstimateOptions, estimate

NAMES = Names("a warm-up", "no warm-up", "Mean power")


def plain(text):
    return text.replace("\u00a0", " ")


def few_pairs(differences, **options):
    """An estimate of as many pairs as there are differences."""
    n = len(differences)
    value = np.concatenate([300 + np.arange(n), 300 + np.arange(n) + np.array(differences)])
    condition = np.repeat(["none", "warmup"], n)
    obs = Observations(value, condition, np.tile([str(i) for i in range(n)], 2), reference="none")
    return estimate(obs, options=EstimateOptions(**options))


def changed(content, **changes):
    return replace(content.primary, estimate=replace(content.primary.estimate, **changes))


def test_a_withheld_verdict_gives_its_own_reason_everywhere():
    withheld = few_pairs([5.0, 9.0, 7.0], margin=4.0)
    assert withheld.decision is None
    result = OutcomeResult(POWER, withheld)
    long, last = headline(result, NAMES, POINT).long, facts(result, POINT)[-1]
    for said in (long, last.detail, summarise(result)):
        assert "four complete pairs" in said
        assert "No smallest worthwhile change" not in said
    assert plain(last.detail).startswith("4 W was declared as the least that matters")


def test_a_margin_given_for_a_plain_table_is_not_forgotten_when_there_is_no_verdict():
    withheld = few_pairs([5.0, 9.0, 7.0], margin=4.0)
    text = summarise(plain_result(withheld, POWER.better, worthwhile=4.0))
    assert "4 was given with the request" in text
    assert "four complete pairs" in text


def test_noise_known_from_few_differences_cannot_be_exceeded(content):
    contrast = replace(content.primary.contrast, estimate=6.0, interval=Interval(-1.0, 13.0))
    noise = Noise(2.0, 2.0, Interval(1.0, 12.0), 5.5, 3.2, exceeds_noise=True)
    result = changed(content, contrasts=(contrast,), noise=noise)
    fact = facts(result, POINT)[2]
    assert fact.answer == CANNOT_TELL
    assert "known from only so few differences (2 df)" in fact.detail
    assert "known only roughly" in of_difference(result, POINT)
    clear = replace(contrast, interval=Interval(1.0, 13.0))
    assert facts(changed(content, contrasts=(clear,), noise=noise), POINT)[2].answer == "Yes"


def test_a_chance_says_of_what_it_is_one(content):
    decision = Decision(Verdict.NOT_SETTLED, 4.0, 0.91, 0.08, 0.01, "")
    sure = facts(changed(content, decision=decision), POINT)[1]
    assert sure.answer == "91 in 100: worth having"
    assert "the range, which asks for more" in sure.detail


@pytest.mark.parametrize(("high", "beyond"), [(3.5, False), (4.6, True)])
def test_the_range_that_decides_is_named(content, high, beyond):
    contrast = replace(
        content.primary.contrast,
        estimate=1.0,
        interval=Interval(-2.0, high),
        interval_90=Interval(-1.5, 3.2, 0.9),
    )
    decision = replace(content.primary.estimate.decision, verdict=Verdict.NO_WORTHWHILE_DIFFERENCE)
    result = changed(content, contrasts=(contrast,), decision=decision)
    said = plain(headline(result, NAMES, POINT).long)
    assert "the 90 % range −1.5 to +3.2 W decides" in said
    assert ("although the 95 % range reaches beyond" in said) is beyond


def test_another_verdict_by_another_method_is_said_under_the_headline(content):
    first = content.primary.contrast
    rows = (
        SensitivityRow("mixed", first, Verdict.HELPS, moves=False),
        SensitivityRow("randomisation", first, Verdict.NOT_SETTLED, moves=True),
    )
    moved = replace(content, estimates=(changed(content, sensitivity=rows),))
    said = "By 1 of 2 other methods the verdict would be another one: randomisation (not settled)."
    assert first_screen_notes(moved, POINT) == (said,)
    assert '<p class="beside">By 1 of 2 other methods' in render_page(replace(moved, curves=()))
    assert said in summarise(moved.primary)
    alike = replace(content, estimates=(changed(content, sensitivity=rows[:1]),))
    assert first_screen_notes(alike, POINT) == ()


def test_a_rule_changed_after_the_data_were_opened_is_said_first(content):
    content = replace(content, estimates=(changed(content, sensitivity=()),))
    late = Amendment("2026-05-01", "outcomes.power.worthwhile", "4 W", "2 W", "it fits", late=True)
    (said,) = first_screen_notes(replace(content, amendments=(late,)), POINT)
    assert "after the data had been opened (outcomes.power.worthwhile: 4 W → 2 W)" in said
    for harmless in (replace(late, late=False), replace(late, field="calendar.window")):
        assert first_screen_notes(replace(content, amendments=(harmless,)), POINT) == ()


def test_of_several_comparisons_the_one_with_the_verdict_is_named(content):
    third = Condition("walk", "a walk")
    plan = replace(PLAN, conditions=(*PLAN.conditions, third))
    other = replace(content.primary.contrast, condition="walk", estimate=1.25)
    contrasts = (other, *content.primary.estimate.contrasts)
    result = replace(changed(content, contrasts=contrasts, sensitivity=()), condition="warmup")
    told = replace(content, plan=plan, estimates=(result,))
    about, others = first_screen_notes(told, POINT)
    assert about.startswith("This is about a 20 min warm-up against no warm-up")
    assert "a walk +1.2 W" in plain(others) or "a walk +1.3 W" in plain(others)
    assert result.contrast.condition == "warmup"
    assert "The verdict is about warmup against none only." in summarise(result)


def test_beside_the_primary_outcome_no_block_has_a_verdict(content):
    second = content.others[0]
    assert second.outcome.role is Role.SECONDARY
    text = summarise(second)
    assert text.startswith("Mean heart rate (secondary outcome, no verdict), 15 periods")
    assert "How sure?" not in text
    assert "helped" not in text


DECIDED = Decision(Verdict.HELPS, 1.0, 1.0, 0.0, 0.0, "")
BRANCHES = "Helps: keep it. No worthwhile difference: save the time. Not settled: try again."


@pytest.mark.parametrize(
    ("text", "verdict", "told"),
    [
        (BRANCHES, Verdict.HELPS, "Keep it."),
        (BRANCHES, Verdict.NO_WORTHWHILE_DIFFERENCE, "Save the time."),
        (BRANCHES, Verdict.NOT_SETTLED, "Try again."),
        (BRANCHES, Verdict.HURTS, BRANCHES),
        (BRANCHES, Verdict.HELPS_SIZE_NOT_SETTLED, BRANCHES),
        ("Helps: on. Otherwise: as before.", Verdict.HURTS, "As before."),
        ("Helps: on. Otherwise: as before.", Verdict.HURTS_SIZE_NOT_SETTLED, None),
        ("Keep it if it helps: it is cheap.", Verdict.HELPS, None),
        ("helps, size not settled: ask again.", Verdict.HELPS_SIZE_NOT_SETTLED, "Ask again."),
    ],
)
def test_only_the_branch_of_the_verdict_is_printed(text, verdict, told):
    assert after_verdict(text, replace(DECIDED, verdict=verdict)) == (told or text)


def test_without_a_verdict_the_whole_agreement_is_printed():
    assert after_verdict(BRANCHES, None) == BRANCHES


@pytest.mark.parametrize(
    ("label", "opening", "short"),
    [
        ("with music", "With music, mean power", "This athlete did better with music."),
        ("a warm-up", "With a warm-up, mean power", "A warm-up helped this athlete."),
    ],
)
def test_a_label_that_begins_with_with_is_not_doubled(content, label, opening, short):
    decision = replace(content.primary.estimate.decision, verdict=Verdict.HELPS)
    said = headline(changed(content, decision=decision), replace(NAMES, condition=label), POINT)
    assert said.long.startswith(opening)
    assert said.short == short
    assert under("Without a fan") == "Without a fan"


def test_one_pair_is_not_each_of_the_pairs():
    assert row_pairs(1, several=False) == "the one pair"
    assert row_pairs(4, several=True) == "each of the 4 blocks"


def test_differences_of_percentages_are_points(content):
    outcome = replace(POWER, unit="%", worthwhile=Worthwhile(2.0, "%", ""))
    result = replace(content.primary, outcome=outcome)
    assert facts(result, POINT)[0].answer.endswith("points")
    assert "2 points" in plain(facts(result, POINT)[-1].detail)
    log = replace(outcome, scale=Scale.LOG)
    assert facts(replace(result, outcome=log), POINT)[0].answer.endswith("%")
