"""The sentences of the verdict: what it is, what it rests on, and why there is none.

No sentence claims more than the verdict rule gives. A verdict speaks of this athlete in this
test, and only of the primary outcome.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from trialkit.domain.estimates import Decision, Verdict
from trialkit.domain.outcomes import Better, Outcome, Scale
from trialkit.report.content import OutcomeResult
from trialkit.report.numbers import NO_NUMBER, Numbers, Printer, difference_unit
from trialkit.report.words.pictures import lower_first, upper_first

NO_MARGIN: Final = (
    "No smallest worthwhile change was declared before the first period, so nothing says whether "
    "that is big enough to matter."
)
NO_MARGIN_GIVEN: Final = (
    "No smallest worthwhile change was given with the request, so nothing says whether that is "
    "big enough to matter."
)
NO_ONE_COMPARISON: Final = (
    "A verdict needs one comparison named beforehand and noise that could be estimated; one of "
    "them is missing here."
)
_WITHHELD: Final = "No verdict: "
_PREPOSITIONS: Final = frozenset({"with", "without", "after", "before", "in", "at", "on", "during"})


@dataclass(frozen=True, slots=True)
class Headline:
    """The answer in one short sentence, and what it rests on in one or two more."""

    short: str
    long: str


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
    unit = worthwhile.unit if outcome.scale is Scale.LOG else difference_unit(worthwhile.unit)
    return numbers.with_unit(numbers.short(worthwhile.value), unit)


def under(label: str) -> str:
    """Put "with" before a condition, unless its label begins with such a word already.

    Examples
    --------
    >>> under("a warm-up"), under("without music")
    ('with a warm-up', 'without music')
    """
    return label if _begins_with_preposition(label) else f"with {label}"


def _begins_with_preposition(label: str) -> bool:
    return label.split(" ", 1)[0].lower() in _PREPOSITIONS


def why_no_verdict(result: OutcomeResult) -> str:
    """Why an estimated outcome has no verdict: no margin, or the reason the analysis gave."""
    if result.outcome.worthwhile is None:
        return NO_MARGIN if result.declared else NO_MARGIN_GIVEN
    notes = () if result.estimate is None else result.estimate.notes
    told = next((n for n in notes if n.startswith(_WITHHELD)), "")
    return upper_first(told.removeprefix(_WITHHELD)) or NO_ONE_COMPARISON


def headline(result: OutcomeResult, names: Names, numbers: Numbers) -> Headline:
    """Say the verdict of a primary outcome in words a 15-year-old understands."""
    decision = None if result.estimate is None else result.estimate.decision
    printer = Printer.of(result.outcome, result.contrast.se, numbers)
    said = _difference(result, names, printer)
    if decision is None:
        return Headline("An estimate, but no verdict.", f"{said} {why_no_verdict(result)}")
    grounds = _rests_on(decision.verdict, result, printer)
    return Headline(_short(decision.verdict, names), f"{said} {grounds}")


def _short(verdict: Verdict, names: Names) -> str:
    if _begins_with_preposition(names.condition):
        better, worse = (f"This athlete did {way} {names.condition}" for way in ("better", "worse"))
    else:
        condition = upper_first(names.condition)
        better, worse = f"{condition} helped this athlete", f"{condition} made this athlete worse"
    return {
        Verdict.HELPS: f"{better}.",
        Verdict.HELPS_SIZE_NOT_SETTLED: f"{better}, but maybe by too little to matter.",
        Verdict.NO_WORTHWHILE_DIFFERENCE: (
            f"No difference worth having: {names.condition} and {names.reference} come out alike."
        ),
        Verdict.HURTS_SIZE_NOT_SETTLED: f"{worse}, but maybe by too little to matter.",
        Verdict.HURTS: f"{worse}.",
        Verdict.NOT_SETTLED: "Not settled: this trial cannot tell yet.",
    }[verdict]


def _rests_on(verdict: Verdict, result: OutcomeResult, printer: Printer) -> str:
    margin = declared_margin(result.outcome, printer.numbers)
    span = printer.interval(result.contrast.interval)
    if verdict in (Verdict.HELPS, Verdict.HURTS):
        return f"Even the cautious end of the range is more than the {margin} that matters."
    if verdict in (Verdict.HELPS_SIZE_NOT_SETTLED, Verdict.HURTS_SIZE_NOT_SETTLED):
        return (
            f"The direction is settled, the size is not: the range {span} reaches below the "
            f"{margin} that matters."
        )
    if verdict is Verdict.NO_WORTHWHILE_DIFFERENCE:
        return _too_small(result, printer, margin)
    return f"The data still fit anything in the range {span}; {margin} is what matters."


def _too_small(result: OutcomeResult, printer: Printer, margin: str) -> str:
    """Say which range shows that a difference is too small; the wider one may reach beyond."""
    wide, narrow = result.contrast.interval, result.contrast.interval_90
    told = f"The data leave room only for differences smaller than the {margin} that matters"
    bound = result.outcome.analysis_margin
    if narrow is None or bound is None:
        return f"{told}."
    level = printer.numbers.level
    told += f": the {level(narrow.level)} range {printer.interval(narrow)} decides this verdict"
    if max(abs(wide.low), abs(wide.high)) < bound:
        return f"{told}."
    return f"{told}, although the {level(wide.level)} range reaches beyond."


def _difference(result: OutcomeResult, names: Names, printer: Printer) -> str:
    value = result.contrast.estimate
    if printer.numbers.plain(abs(printer.shown(value)), printer.decimals).strip("0.,") == "":
        told = f"on average the same as {under(names.reference)}"
    else:
        way = direction(value, result.outcome)
        told = f"on average {printer.size(value)} {way} than {under(names.reference)}"
    return f"{upper_first(under(names.condition))}, {lower_first(names.outcome)} was {told}."


def direction(value: float, outcome: Outcome) -> str:
    """Say which way a difference goes, and whether that is better."""
    way = "higher" if value > 0 else "lower"
    good = (value > 0) == (outcome.better is Better.HIGHER)
    return f"{way} ({'better' if good else 'worse'})"


def beside(result: OutcomeResult, names: Names, numbers: Numbers) -> Headline:
    """Say an outcome that carries no verdict: differences, ranges and p, adjusted where it was."""
    contrast = result.contrast
    printer = Printer.of(result.outcome, contrast.se, numbers)
    told = (
        f"{upper_first(names.condition)} minus {names.reference}: "
        f"{printer.difference(contrast.estimate)}, {numbers.level(contrast.interval.level)} range "
        f"{printer.interval(contrast.interval)}, p {numbers.p_value(contrast.p)}"
    )
    if contrast.p_adjusted is not None:
        told += f", adjusted {numbers.p_value(contrast.p_adjusted)}"
    return Headline(f"{result.outcome.label} ({result.outcome.role.value}, no verdict)", told + ".")


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
    more = f"{decision.further_blocks} further {counted(decision.further_blocks, blocks)}"
    return (
        f"About {more} would probably settle it (chance {chance}). Only the analysis declared "
        "beforehand keeps its error rate when a trial is lengthened after a look."
    )


def counted(number: int, plural: str) -> str:
    """A plural, or its singular where there is one.

    Examples
    --------
    >>> counted(1, "pairs"), counted(3, "blocks")
    ('pair', 'blocks')
    """
    return plural.removesuffix("s") if number == 1 else plural


def scale_note(outcome: Outcome) -> str:
    """Why differences of a log-scale outcome are printed in percent. Otherwise empty."""
    if outcome.scale is not Scale.LOG:
        return ""
    return "Noise of this outcome grows with its level, so differences are in percent."
