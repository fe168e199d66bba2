"""The four facts beside the verdict: how big, how sure, against the noise, against the margin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from trialkit.domain.estimates import Contrast, Decision, Noise, Verdict
from trialkit.report.content import OutcomeResult
from trialkit.report.numbers import NO_NUMBER, Numbers, Printer
from trialkit.report.words.verdicts import declared_margin, why_no_verdict

CANNOT_TELL: Final = "Cannot tell"


@dataclass(frozen=True, slots=True)
class Fact:
    """One question of the first screen with its answer and what it means."""

    question: str
    answer: str
    detail: str


def facts(result: OutcomeResult, numbers: Numbers) -> tuple[Fact, ...]:
    """The four facts beside the verdict, in the order in which they are asked."""
    estimate = result.estimate
    if estimate is None:
        return ()
    printer = Printer.of(result.outcome, result.contrast.se, numbers)
    return (
        _how_big(result.contrast, printer),
        _how_sure(estimate.decision, numbers),
        _against_noise(estimate.noise, result.contrast, printer),
        _against_margin(result, numbers),
    )


def noise_is_open(noise: Noise, contrast: Contrast) -> bool:
    """Whether a mean is beyond the noise by its known size while its range still holds zero.

    The minimal detectable change takes the noise as known; few differences know it only roughly.
    """
    return noise.exceeds_noise and contrast.interval.low <= 0 <= contrast.interval.high


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
    detail = f"The chance for the true difference: {told}."
    if decision.verdict is Verdict.NOT_SETTLED:
        detail += " The verdict goes by the range, which asks for more than such a chance."
    first, words = ordered[0]
    return Fact("How sure?", f"{numbers.chance(first)}: {words}", detail)


def _against_noise(noise: Noise | None, contrast: Contrast, printer: Printer) -> Fact:
    question = "Bigger than the noise?"
    if noise is None:
        return Fact(question, NO_NUMBER, "The noise could not be estimated.")
    mdc = printer.size(noise.mdc_mean)
    if noise_is_open(noise, contrast):
        known = printer.numbers.plain(noise.df, 0)
        return Fact(
            question,
            CANNOT_TELL,
            f"The mean lies beyond ±{mdc}, but the noise itself is known from only so few "
            f"differences ({known} df), and the range of the difference holds zero.",
        )
    return Fact(
        question=question,
        answer="Yes" if noise.exceeds_noise else "No",
        detail=(
            f"With no true difference, a mean like this one stays within ±{mdc} about 95 times in "
            "100."
        ),
    )


def _against_margin(result: OutcomeResult, numbers: Numbers) -> Fact:
    question = "Big enough to matter?"
    decision = None if result.estimate is None else result.estimate.decision
    origin = "declared" if result.declared else "given with the request"
    if result.outcome.worthwhile is None:
        return Fact(question, NO_NUMBER, f"No smallest worthwhile change was {origin}.")
    margin = declared_margin(result.outcome, numbers)
    if decision is None:
        told = f"{margin} was {origin} as the least that matters, but there is no verdict."
        return Fact(question, NO_NUMBER, f"{told} {why_no_verdict(result)}")
    answer = {
        Verdict.HELPS: "Yes",
        Verdict.HURTS: "Yes, for the worse",
        Verdict.NO_WORTHWHILE_DIFFERENCE: "No",
    }.get(decision.verdict, "Open")
    by = "By the declared margin" if result.declared else "By the margin given with the request"
    return Fact(question, answer, f"{by}, {margin} is the least that matters.")
