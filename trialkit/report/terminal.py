"""A short plain-text summary of an estimate for the command line."""

from __future__ import annotations

from trialkit.domain.estimates import Contrast, Estimate
from trialkit.domain.outcomes import Better, Outcome, Scale, Worthwhile
from trialkit.report.content import OutcomeResult
from trialkit.report.numbers import NO_NUMBER, POINT, Numbers, Printer, to_percent
from trialkit.report.words.pictures import upper_first
from trialkit.report.words.verdicts import Names, facts, headline, what_next


def summarise(
    result: OutcomeResult, names: Names | None = None, *, numbers: Numbers = POINT
) -> str:
    """Say an answer in plain text lines: verdict, size, noise, margin, method, notes.

    Parameters
    ----------
    result
        An outcome with its estimate, or the reason why there is none.
    names
        Words for the two conditions; the names in the table when left out.
    """
    estimate = result.estimate
    if estimate is None:
        return f"{result.outcome.label}: no answer. {result.why_none}".strip()
    names = names or _names(result)
    said = headline(result, names, numbers)
    lines = [said.short, said.long, ""]
    told = facts(result, numbers)
    width = max(len(fact.question) for fact in told)
    lines += [f"{fact.question:<{width}}  {fact.answer}. {fact.detail}" for fact in told]
    lines += ["", *(_contrast(c, result, numbers) for c in estimate.contrasts)]
    lines.append(f"Method: {estimate.method}. {upper_first(estimate.why.rstrip('.'))}.")
    if following := what_next(estimate.decision, blocks=names.blocks):
        lines.append(following)
    lines += [f"Note: {note}" for note in estimate.notes]
    return "\n".join(lines).replace("\u00a0", " ")


def estimate_text(
    estimate: Estimate, *, better: Better = Better.HIGHER, numbers: Numbers = POINT
) -> str:
    """Say the answer of a plain table, for which there is no protocol."""
    return summarise(OutcomeResult(plain_outcome(estimate, better), estimate), numbers=numbers)


def plain_outcome(estimate: Estimate, better: Better) -> Outcome:
    """An outcome for an estimate from a plain table; its margin is that of the decision."""
    log = estimate.scale == Scale.LOG
    decision, unit = estimate.decision, estimate.unit or "1"
    margin = None
    if decision is not None:
        value = to_percent(decision.margin) if log else decision.margin
        margin = Worthwhile(value, "%" if log else unit, "given with the request")
    return Outcome(
        name=estimate.outcome,
        label=estimate.outcome,
        unit=unit,
        better=better,
        scale=Scale(estimate.scale),
        worthwhile=margin,
    )


def _names(result: OutcomeResult) -> Names:
    contrast = result.contrast
    return Names(contrast.condition, contrast.reference, result.outcome.label, "blocks")


def _contrast(contrast: Contrast, result: OutcomeResult, numbers: Numbers) -> str:
    printer = Printer.of(result.outcome, contrast.se, numbers)
    df = NO_NUMBER if contrast.df is None else numbers.plain(contrast.df, 1)
    level = numbers.level(contrast.interval.level)
    return (
        f"{contrast.condition} minus {contrast.reference}: "
        f"{printer.difference(contrast.estimate)}, {level} range "
        f"{printer.interval(contrast.interval)}, df {df}, p {numbers.p_value(contrast.p)}"
    )
