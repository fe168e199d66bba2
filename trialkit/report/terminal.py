"""A short plain-text summary of an estimate for the command line."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.domain.estimates import Contrast, Estimate
from trialkit.domain.outcomes import Better, Outcome, Role, Scale, Worthwhile
from trialkit.report.content import OutcomeResult
from trialkit.report.numbers import NO_NUMBER, POINT, Numbers, Printer, to_percent
from trialkit.report.words.facts import facts
from trialkit.report.words.findings import disagreement
from trialkit.report.words.pictures import lower_first, upper_first
from trialkit.report.words.verdicts import Names, counted, headline, what_next

GIVEN = "given with the request"


def summarise(
    result: OutcomeResult, names: Names | None = None, *, numbers: Numbers = POINT
) -> str:
    """Say an answer in plain text lines: outcome, verdict, size, noise, margin, method, notes.

    Only a primary outcome is told with its verdict.

    Parameters
    ----------
    result
        An outcome with its estimate, or the reason why there is none.
    names
        Words for the two conditions; the names in the table when left out.
    """
    estimate = result.estimate
    if estimate is None:
        return f"{_heading(result)}: no answer. {upper_first(result.why_none)}".strip()
    names = names or plain_names(result)
    used = (
        f"{estimate.n} {counted(estimate.n, 'periods')} in "
        f"{estimate.blocks} {counted(estimate.blocks, 'blocks')} used"
    )
    lines = [f"{_heading(result)}, {used}"]
    if result.outcome.role is Role.PRIMARY:
        lines += _verdict(result, names, numbers)
    lines += [_contrast(c, result, numbers) for c in estimate.contrasts]
    lines.append(f"Method: {estimate.method}. {upper_first(estimate.why.rstrip('.'))}.")
    if result.outcome.role is Role.PRIMARY:
        following = (disagreement(estimate), what_next(estimate.decision, blocks=names.blocks))
        lines += filter(None, following)
    lines += [f"Note: {note}" for note in estimate.notes]
    return "\n".join(lines).replace("\u00a0", " ")


def _heading(result: OutcomeResult) -> str:
    label, role = result.outcome.label, result.outcome.role
    if not result.declared:
        return upper_first(label)
    return f"{label} ({role.value} outcome{'' if role is Role.PRIMARY else ', no verdict'})"


def _verdict(result: OutcomeResult, names: Names, numbers: Numbers) -> Iterator[str]:
    said = headline(result, names, numbers)
    yield from (said.short, said.long)
    if result.other_contrasts and result.estimate and result.estimate.decision:
        yield f"The verdict is about {names.condition} against {names.reference} only."
    yield ""
    told = facts(result, numbers)
    width = max(len(fact.question) for fact in told)
    yield from (f"{fact.question:<{width}}  {fact.answer}. {fact.detail}" for fact in told)
    yield ""


def plain_result(
    estimate: Estimate, better: Better, *, worthwhile: float | None = None
) -> OutcomeResult:
    """A result from a plain table.

    Parameters
    ----------
    worthwhile
        The margin that was given, in the outcome's unit or in percent on the log scale; that of
        the decision when left out.
    """
    log, decision = estimate.scale == Scale.LOG, estimate.decision
    if worthwhile is None and decision is not None:
        worthwhile = to_percent(decision.margin) if log else decision.margin
    unit = estimate.unit or "1"
    outcome = Outcome(
        name=estimate.outcome,
        label=estimate.outcome,
        unit=unit,
        better=better,
        scale=Scale(estimate.scale),
        worthwhile=None
        if worthwhile is None
        else Worthwhile(worthwhile, "%" if log else unit, GIVEN),
    )
    return OutcomeResult(outcome, estimate, declared=False)


def plain_names(result: OutcomeResult) -> Names:
    """Words for the two sides of a result from the names in its table."""
    contrast = result.contrast
    return Names(
        lower_first(contrast.condition),
        lower_first(contrast.reference),
        result.outcome.label,
        "blocks",
    )


def _contrast(contrast: Contrast, result: OutcomeResult, numbers: Numbers) -> str:
    printer = Printer.of(result.outcome, contrast.se, numbers)
    df = NO_NUMBER if contrast.df is None else numbers.plain(contrast.df, 1)
    level = numbers.level(contrast.interval.level)
    told = (
        f"{upper_first(contrast.condition)} minus {contrast.reference}: "
        f"{printer.difference(contrast.estimate)}, {level} range "
        f"{printer.interval(contrast.interval)}, df {df}, p {numbers.p_value(contrast.p)}"
    )
    if contrast.p_adjusted is not None:
        told += f", adjusted {numbers.p_value(contrast.p_adjusted)}"
    return told
