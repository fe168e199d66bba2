"""Headings, lead sentences and fixed texts of the page's sections."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from trialkit.domain.plans import Plan
from trialkit.report.content import Amendment, BlindingRecord, PageContent

INVENTED: Final = "Invented data: nobody was measured"
CHECKLIST: Final = "Items of the reporting guideline for n-of-1 trials (CENT 2015 numbering)"
PROTOCOL_TITLE: Final = "Is the protocol complete?"
PROTOCOL_CHECKLIST: Final = (
    "Items of the reporting guideline (CENT 2015 numbering) that a plan answers, and fields of a "
    "protocol (no numbers)"
)
PERIODS_OPEN: Final = "All periods, one by one"
CUTS_OPEN: Final = "How each recording was cut"
QUALITY_OPEN: Final = "All checks of the data"
CHECKLIST_OPEN: Final = "All items"
WATERMARK: Final = "invented data"
FOOTER: Final = "Made with trialkit."
MEANS: Final = "What it means"
NO_PRIMARY: Final = "No verdict: the plan names no single primary outcome."
NO_PRIMARY_WHY: Final = (
    "A verdict is given on exactly one outcome, named before the first period. The estimates "
    "below are shown without one."
)
NO_ESTIMATE: Final = "No answer: the data could not be analysed."
NOT_A_DEVICE: Final = (
    "This page is not a medical device, not a diagnosis and not medical advice. It clears nobody "
    "to exercise. For health questions the word of a licensed professional comes first."
)
VERDICT_SMALL_PRINT: Final = (
    "The verdict follows a rule written down before the first period, for this athlete, this "
    "test and this setting."
)
CHANGED_RULE: Final = (
    "The verdict follows a rule; its margin, the outcome or the analysis was changed after the "
    "order was drawn (see “Deviations and changes of plan”)."
)
NO_DEVIATIONS: Final = "No deviation was entered."
NO_AMENDMENTS: Final = "The plan was not changed after the order was drawn."
HARMS_NOT_ASKED: Final = (
    "Nobody was asked about symptoms or injuries, so their absence says nothing."
)
HARMS_NONE: Final = "Asked for, and none were reported."
NOT_BLIND: Final = (
    "Nobody was blind. Knowing the condition can by itself move effort, pacing and feelings: "
    "part of any difference may come from expectation."
)
NO_GUESSES: Final = "No guesses of the condition were entered."
COVARIATES_OPEN: Final = "What else was noted in each period"
NO_PRIMARY_RULE: Final = "No outcome carries a verdict: read the estimates as hints."
SECONDARY_RULE: Final = (
    "Only the primary outcome carries a verdict. Read the others as hints for a next trial."
)
ADJUSTED: Final = (
    "Under “p, adjusted” a p value is adjusted for the number of comparisons beside it (Holm)."
)
UNADJUSTED: Final = "P values are not adjusted for the number of outcomes."
LIMITS: Final = (
    "The result holds for this athlete, this test and this setting. It does not carry over to "
    "other athletes, other tests or other seasons without a new trial.",
    "A difference in a test is not a difference in a race.",
    "The range and the chances cover noise, not mistakes: a wrong device setting or a condition "
    "that was not delivered as planned is not in them.",
)


def document_title(plan: Plan) -> str:
    """Title of the document, which says what kind of trial it is."""
    return plan.title if "n-of-1" in plan.title.lower() else f"{plan.title}: an n-of-1 trial"


def about(plan: Plan) -> str:
    """What kind of trial it is and of whom, beside the title."""
    return plan.athlete if "n-of-1" in plan.title.lower() else f"n-of-1 trial of {plan.athlete}"


def verdict_small_print(content: PageContent) -> str:
    """What the verdict rests on, told only where there is one."""
    result = content.primary
    if result is None or result.estimate is None or result.estimate.decision is None:
        return ""
    return CHANGED_RULE if rule_was_changed(content) else VERDICT_SMALL_PRINT


def rule_was_changed(content: PageContent) -> bool:
    """Whether something the verdict hangs on was amended after the order was drawn."""
    return any(touches_rule(a) for a in content.amendments)


def touches_rule(amendment: Amendment) -> bool:
    """Whether a change is one of outcomes, margin or analysis."""
    return amendment.field.startswith(("outcomes", "analysis"))


def others_rule(content: PageContent) -> str:
    """How the outcomes beside the primary one are to be read."""
    if not content.others:
        return ""
    estimates = [r.estimate for r in content.estimates if r.estimate is not None]
    adjusted = any(c.p_adjusted is not None for e in estimates for c in e.contrasts)
    several = sum(len(e.contrasts) for e in estimates) > 1
    rule = NO_PRIMARY_RULE if content.primary is None else SECONDARY_RULE
    if not several:
        return rule
    return f"{rule} {ADJUSTED if adjusted else UNADJUSTED}"


def band_note(content: PageContent) -> str:
    """How the band under the curves is to be read, where there is one."""
    levels = {c.band.level for c in content.curves if c.band is not None}
    if not levels:
        return ""
    off = round(100 * (1 - min(levels)), 1)
    return (
        "Below the curves: the mean difference with its simultaneous band. If the conditions did "
        f"not differ, zero would lie outside it anywhere at all about {off:g} times in 100. Each "
        "channel is tested by itself."
    )


def quality_summary(content: PageContent) -> str:
    """How many checks of the data found nothing."""
    fine = sum(row.ok for row in content.quality)
    return f"{fine} of {len(content.quality)} checks of files and measures found nothing to say."


def harm_line(content: PageContent) -> str:
    """Harms in one sentence, for the sheet."""
    if content.harms is None:
        return HARMS_NOT_ASKED
    if not content.harms:
        return f"Symptoms and injuries: {HARMS_NONE[0].lower()}{HARMS_NONE[1:]}"
    told = "; ".join(f"{h.text} ({content.label(h.condition)})" for h in content.harms)
    return f"Symptoms and injuries: {told}."


def blinding_lines(content: PageContent) -> tuple[str, ...]:
    """Who was blind, what they guessed, and what follows."""
    blind = content.plan.blinding
    lines = []
    if blind.opens_sequence:
        lines.append(f"The order was opened one period at a time by: {blind.opens_sequence}.")
    lines.append(
        f"Blind: {', '.join(blind.blind)}. {blind.how}".strip() if blind.blind else NOT_BLIND
    )
    guessed = [_guesses(r) for r in content.blinding if r.guesses or r.unknown]
    wished = [f"{r.who}: {r.expectation}" for r in content.blinding if r.expectation]
    if wished:
        lines.append(f"Expected to do better, by {'; by '.join(wished)}.")
    return (*lines, *(guessed or [NO_GUESSES]))


def _guesses(record: BlindingRecord) -> str:
    """What one person guessed, beside what blind guessing would give."""
    expected = round(record.guesses * record.chance_correct, 1)
    parts = []
    if record.guesses:
        parts.append(
            f"{record.guesses} made, {record.correct} right; blind guessing gives about "
            f"{expected:g} right"
        )
    if record.unknown:
        parts.append(f"{record.unknown} times “do not know”")
    return f"Guesses of the condition by {record.who}: {'; '.join(parts)}."


@dataclass(frozen=True, slots=True)
class Heading:
    """A section's anchor, title and the sentence under it."""

    anchor: str
    title: str
    lead: str = ""


HEADINGS: Final = {
    h.anchor: h
    for h in (
        Heading(
            "periods",
            "Every period, in order",
            "What was planned, and what happened. A bare time under Held means: as planned.",
        ),
        Heading(
            "pairs",
            "Pair by pair",
            "Each line joins the two values of one block. Dotted lines go against the mean.",
        ),
        Heading(
            "curves",
            "Through the effort",
            "Thin lines are single periods, bold lines the means, all laid over each other at "
            "the start of the effort.",
        ),
        Heading("noise", "Noise: expected and seen"),
        Heading(
            "sensitivity",
            "Does the answer hang on the method?",
            "The same question with other methods. The planned one is filled.",
        ),
        Heading("others", "All outcomes"),
        Heading("harms", "Symptoms and injuries"),
        Heading("blinding", "Who knew the condition"),
        Heading("changes", "Deviations and changes of plan"),
        Heading("limits", "What this result cannot tell"),
        Heading("cautions", "Cautions"),
        Heading("method", "Method", "A paragraph ready for a paper."),
        Heading(
            "checklist",
            "Reporting checklist",
            "What a reviewer asks for: filled, or named missing with the place to enter it.",
        ),
        Heading("quality", "Quality of the data"),
        Heading(
            "protocol",
            "Before the first period",
            "What the report will be asked for: filled, or named missing with the place to enter "
            "it. Better said now than made up afterwards.",
        ),
        Heading("athletes", "Athlete by athlete"),
        Heading("spread", "Do athletes differ?"),
        Heading("glossary", "Words"),
    )
}
