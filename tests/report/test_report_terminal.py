"""Plain text for the command line: the summary of an estimate."""

from __future__ import annotations

from dataclasses import replace

from trialkit.domain.outcomes import Better
from trialkit.report.content import OutcomeResult
from trialkit.report.terminal import plain_result, summarise


def estimate_text(estimate, *, better=Better.HIGHER):
    """What `trialkit estimate` prints for a plain table."""
    return summarise(plain_result(estimate, better))


def test_the_summary_says_verdict_size_noise_margin_and_method(content):
    text = summarise(content.primary)
    first, second = text.splitlines()[:2]
    assert first == "Mean power (primary outcome), 15 periods in 8 blocks used"
    assert second == "Warmup helped this athlete."
    for question in ("How big?", "How sure?", "Bigger than the noise?", "Big enough to matter?"):
        assert question in text
    assert "Method: mixed." in text
    assert "\u00a0" not in text


def test_the_summary_of_a_plain_table_needs_no_protocol(content):
    estimate = content.primary.estimate
    text = estimate_text(estimate)
    first, second = text.splitlines()[:2]
    assert first == "Power, 15 periods in 8 blocks used"
    assert second == "Warmup helped this athlete."
    assert "By the margin given with the request, 4 W is the least that matters" in text
    assert "declared" not in text


def test_the_direction_of_better_turns_the_words(content):
    estimate = content.primary.estimate
    assert "higher (better)" in estimate_text(estimate)
    assert "higher (worse)" in estimate_text(estimate, better=Better.LOWER)


def test_no_margin_gives_an_estimate_and_no_verdict(content):
    estimate = replace(content.primary.estimate, decision=None)
    text = estimate_text(estimate)
    assert text.splitlines()[1] == "An estimate, but no verdict."
    assert "was given with the request" in text
    assert "before the first period" not in text
    assert "helped" not in text


def test_an_absent_estimate_says_why(plan):
    result = OutcomeResult(plan.outcomes[0], None, why_none="No block is complete.")
    assert summarise(result) == "Mean power (primary outcome): no answer. No block is complete."
