"""Plain text for the command line: the summary of an estimate, the card of a period."""

from __future__ import annotations

from dataclasses import replace

from trialkit.domain.allocations import Period
from trialkit.domain.outcomes import Better
from trialkit.domain.plans import CardStep, Hazards
from trialkit.report.cards import card_text
from trialkit.report.content import OutcomeResult
from trialkit.report.terminal import estimate_text, summarise


def test_the_summary_says_verdict_size_noise_margin_and_method(content):
    text = summarise(content.primary)
    assert text.startswith("Warmup helped this athlete.")
    for question in ("How big?", "How sure?", "Bigger than the noise?", "Big enough to matter?"):
        assert question in text
    assert "Method: mixed." in text
    assert "\u00a0" not in text


def test_the_summary_of_a_plain_table_needs_no_protocol(content):
    estimate = content.primary.estimate
    text = estimate_text(estimate)
    assert text.splitlines()[0] == "Warmup helped this athlete."
    assert "4 W is the least that matters" in text


def test_the_direction_of_better_turns_the_words(content):
    estimate = content.primary.estimate
    assert "higher (better)" in estimate_text(estimate)
    assert "higher (worse)" in estimate_text(estimate, better=Better.LOWER)


def test_no_margin_gives_an_estimate_and_no_verdict(content):
    estimate = replace(content.primary.estimate, decision=None)
    text = estimate_text(estimate)
    assert text.startswith("An estimate, but no verdict.")
    assert "helped" not in text


def test_an_absent_estimate_says_why(plan):
    result = OutcomeResult(plan.outcomes[0], None, why_none="No block is complete.")
    assert summarise(result) == "Mean power: no answer. No block is complete."


def test_a_card_tells_the_opened_condition_and_its_steps(plan):
    with_steps = replace(plan, card=(CardStep(20, "Warm up"), CardStep(0, "Note the weather")))
    text = card_text(with_steps, Period(3, 2, 1, 3, "warmup", rest=2, rest_unit="day"))
    assert "Period 3 of 16, block 2, session 3" in text
    assert "Condition: A 20 min warm-up" in text
    assert "Rest before it: 2 days" in text
    assert " 1. Warm up (20 min)" in text
    assert " 2. Note the weather\n" in text
    assert "Invented data" in text
    assert "chest pain" in text


def test_a_card_keeps_a_concealed_condition_concealed(plan):
    text = card_text(plan, Period(3, 2, 1, 3, ""))
    assert "not opened yet" in text
    assert not any(c.label in text or c.recipe in text for c in plan.conditions)


def test_a_trial_without_effort_needs_no_stop_signs(plan):
    calm = replace(plan, hazards=Hazards(effort="none"))
    assert "chest pain" not in card_text(calm, Period(1, 1, 1, 1, "none"))
