"""What has to be said beside the verdict before anybody scrolls."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.report.content import Amendment, OutcomeResult, PageContent
from trialkit.report.numbers import Numbers, Printer
from trialkit.report.words.findings import disagreement
from trialkit.report.words.page import touches_rule
from trialkit.report.words.pictures import lower_first


def first_screen_notes(content: PageContent, numbers: Numbers) -> tuple[str, ...]:
    """Late changes of the rule, which comparison the verdict is about, and other methods."""
    result = content.primary
    late = tuple(late_changes(content.amendments))
    if result is None or result.estimate is None:
        return late
    return (
        *late,
        *_one_of_several(content, result, numbers),
        *filter(None, [disagreement(result.estimate)]),
    )


def late_changes(amendments: tuple[Amendment, ...]) -> Iterator[str]:
    """Say that outcomes, margin or analysis were changed after the data were opened."""
    late = (a for a in amendments if a.late and touches_rule(a))
    changed = [f"{a.field}: {a.before} → {a.after}" for a in late]
    if changed:
        yield (
            f"The plan of outcomes or analysis was changed after the data had been opened "
            f"({'; '.join(changed)}). A rule made after a look at the result no longer guards "
            "against being fooled by chance."
        )


def _one_of_several(content: PageContent, result: OutcomeResult, numbers: Numbers) -> Iterator[str]:
    others = result.other_contrasts
    if not others:
        return
    first = result.contrast
    yield (
        f"This is about {lower_first(content.label(first.condition))} against "
        f"{lower_first(content.label(first.reference))}, the first comparison of the plan."
    )
    told = []
    for contrast in others:
        printer = Printer.of(result.outcome, contrast.se, numbers)
        told.append(
            f"{lower_first(content.label(contrast.condition))} "
            f"{printer.difference(contrast.estimate)} ({numbers.level(contrast.interval.level)} "
            f"range {printer.interval(contrast.interval)})"
        )
    reference = lower_first(content.label(first.reference))
    yield f"Without a verdict, against {reference}: {'; '.join(told)}."
