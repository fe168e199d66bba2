"""The sentences of the first screen: the verdict, how big, how sure, against noise and margin.

No sentence claims more than the verdict rule gives. A verdict speaks of this athlete in this
test, and only of the primary outcome.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from trialkit.domain.estimates import Contrast, Decision, Estimate, Verdict
from trialkit.domain.outcomes import Better, Outcome, Scale
from trialkit.report.content import OutcomeResult
from trialkit.report.numbers import NO_NUMBER, Numbers, Printer
from trialkit.report.words.pictures import lower_first, upper_first

NO_MARGIN: Final = (
    "No smallest worthwhile change was declared before the first period, so nothing says whether "
    "that is big enough to matter."
)
NO_ONE_COMPARISON: Final = (
    "A verdict needs one comparison named beforehand and noise that could be estimated; one of "
    "them is missing here."
)


@dataclass(frozen=True, slots=True)
class Headline:
    """The answer in one short sentence, and what it rests on in one or two more."""

    short: str
    long: str


@dataclass(frozen=True, slots=True)
class Fact:
    """One question of the first screen with its answer and what it means."""

    question: str
    answer: str
    detail: str


@dataclass(frozen=True, slots=True)
class Names:
    """The words for the two conditions and the outcome inside a sentence."""

    condition: str
    reference: str
    outcome: str
    blocks: str = "pairs"


def declared_margin(outcome: Outcome, numbers: Numbers) -> str:
    """The smallest worthwhile change as the protocol states it."""
    worthwhile = outcome.worthwhile
    if worthwhile is None:
        return NO_NUMBER
    return numbers.with_unit(numbers.short(worthwhile.value), worthwhile.unit)


def headline(result: OutcomeResult, names: Names, numbers: Numbers) -> Headline:
    """Say the verdict of a primary outcome in words a 15-year-old understands."""
    decision = None if result.estimate is None else result.estimate.decision
    printer = Printer.of(result.outcome, result.contrast.se, numbers)
    said = _difference(result, names, printer)
    if decision is None:
        why = NO_MARGIN if result.outcome.worthwhile is None else NO_ONE_COMPARISON
        return Headline(short="An estimate, but no verdict.", long=f"{said} {why}")
    span = printer.interval(result.contrast.interval)
    grounds = _rests_on(decision.verdict, declared_margin(result.outcome, numbers), span)
    return Headline(short=_short(decision.verdict, names), long=f"{said} {grounds}")


def _short(verdict: Verdict, names: Names) -> str:
    condition = upper_first(names.condition)
    return {
        Verdict.HELPS: f"{condition} helped this athlete.",
        Verdict.HELPS_SIZE_NOT_SETTLED: (
            f"{condition} helped this athlete, but maybe by too little to matter."
        ),
        Verdict.NO_WORTHWHILE_DIFFERENCE: (
            f"No difference worth having: {names.condition} and {names.reference} come out alike."
        ),
        Verdict.HURTS_SIZE_NOT_SETTLED: (
            f"{condition} made this athlete worse, but maybe by too little to matter."
        ),
        Verdict.HURTS: f"{condition} made this athlete worse.",
        Verdict.NOT_SETTLED: "Not settled: this trial cannot tell yet.",
    }[verdict]


def _rests_on(verdict: Verdict, margin: str, span: str) -> str:
    if verdict in (Verdict.HELPS, Verdict.HURTS):
        return f"Even the cautious end of the range is more than the {margin} that matters."
    if verdict in (Verdict.HELPS_SIZE_NOT_SETTLED, Verdict.HURTS_SIZE_NOT_SETTLED):
        return (
            f"The direction is settled, the size is not: the range {span} reaches below the "
            f"{margin} that matters."
        )
    if verdict is Verdict.NO_WORTHWHILE_DIFFERENCE:
        return f"The data leave room only for differences smaller than the {margin} that matters."
    return f"The data still fit anything in the range {span}; {margin} is what matters."


def _difference(result: OutcomeResult, names: Names, printer: Printer) -> str:
    value = result.contrast.estimate
    if printer.numbers.plain(abs(printer.shown(value)), printer.decimals).strip("0.,") == "":
        told = f"on average the same as with {names.reference}"
    else:
        way = direction(value, result.outcome)
        told = f"on average {printer.size(value)} {way} than with {names.reference}"
    return f"With {names.condition}, {lower_first(names.outcome)} was {told}."


def direction(value: float, outcome: Outcome) -> str:
    """Say which way a difference goes, and whether that is better."""
    way = "higher" if value > 0 else "lower"
    good = (value > 0) == (outcome.better is Better.HIGHER)
    return f"{way} ({'better' if good else 'worse'})"


def facts(result: OutcomeResult, numbers: Numbers) -> tuple[Fact, ...]:
    """The four facts beside the verdict, in the order in which they are asked."""
    estimate, outcome = result.estimate, result.outcome
    if estimate is None:
        return ()
    printer = Printer.of(outcome, result.contrast.se, numbers)
    return (
        _how_big(result.contrast, printer),
        _how_sure(estimate.decision, numbers),
        _against_noise(estimate, printer),
        _against_margin(estimate.decision, outcome, numbers),
    )


def _how_big(contrast: Contrast, printer: Printer) -> Fact:
    level = printer.numbers.level(contrast.interval.level)
    return Fact(
        question="How big?",
        answer=printer.difference(contrast.estimate),
        detail=f"{level} range: {printer.interval(contrast.interval)}.",
    )


def _how_sure(decision: Decision | None, numbers: Numbers) -> Fact:
    if decision is None:
        return Fact("How sure?", NO_NUMBER, "Without a verdict there are no chances to tell.")
    rows = (
        (decision.chance_better, "worth having"),
        (decision.chance_within, "too small to matter"),
        (decision.chance_worse, "worth avoiding"),
    )
    ordered = sorted(rows, key=lambda row: -row[0])
    told = "; ".join(f"{numbers.chance(c)} that it is {words}" for c, words in ordered)
    return Fact(
        question="How sure?",
        answer=numbers.chance(ordered[0][0]),
        detail=f"The chance for the true difference: {told}.",
    )


def _against_noise(estimate: Estimate, printer: Printer) -> Fact:
    noise = estimate.noise
    if noise is None:
        return Fact("Bigger than the noise?", NO_NUMBER, "The noise could not be estimated.")
    mdc = printer.size(noise.mdc_mean)
    return Fact(
        question="Bigger than the noise?",
        answer="Yes" if noise.exceeds_noise else "No",
        detail=(
            f"With no true difference, a mean like this one stays within ±{mdc} about 95 times in "
            "100."
        ),
    )


def _against_margin(decision: Decision | None, outcome: Outcome, numbers: Numbers) -> Fact:
    question = "Big enough to matter?"
    if outcome.worthwhile is None:
        return Fact(question, NO_NUMBER, "No smallest worthwhile change was declared.")
    if decision is None:
        margin = declared_margin(outcome, numbers)
        return Fact(
            question, NO_NUMBER, f"The declared margin is {margin}; see above why no verdict."
        )
    answer = {
        Verdict.HELPS: "Yes",
        Verdict.HURTS: "Yes, for the worse",
        Verdict.NO_WORTHWHILE_DIFFERENCE: "No",
    }.get(decision.verdict, "Open")
    margin = declared_margin(outcome, numbers)
    return Fact(
        question=question,
        answer=answer,
        detail=f"By the declared margin, {margin} is the least that matters.",
    )


def what_next(decision: Decision | None, *, blocks: str = "pairs") -> str:
    """For a trial that is not settled: what would probably settle it. Otherwise empty."""
    if decision is None or decision.verdict is not Verdict.NOT_SETTLED:
        return ""
    if decision.further_blocks is None:
        return (
            f"No number of further {blocks} within the planned maximum would probably settle it: "
            "a less noisy test or a larger margin would be needed."
        )
    chance = Numbers().chance(decision.chance_settled)
    return (
        f"About {decision.further_blocks} further {blocks} would probably settle it "
        f"(chance {chance}). Only the analysis declared beforehand keeps its error rate when a "
        "trial is lengthened after a look."
    )


def scale_note(outcome: Outcome) -> str:
    """Why differences of a log-scale outcome are printed in percent. Otherwise empty."""
    if outcome.scale is not Scale.LOG:
        return ""
    return "Noise of this outcome grows with its level, so differences are in percent."
