"""What a result cannot tell: what holds for every trial, and what this trial's own course adds."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.report.content import PageContent, PeriodRow, Status
from trialkit.report.numbers import POINT, Numbers
from trialkit.report.words.page import LIMITS, rule_was_changed, touches_rule
from trialkit.report.words.pictures import lower_first
from trialkit.report.words.rests import short_rests

# Below six pairs not even all of them on one side reach p = 0.05: 2/2^5 = 0.0625.
_FEW_PAIRS = 6


def limits_of(content: PageContent, numbers: Numbers = POINT) -> tuple[str, ...]:
    """The limits of one result, its own first."""
    own = (*content.limits, *_of_the_course(content), *short_rests(content, numbers))
    return (*own, *_of_the_knowledge(content), *LIMITS)


def _of_the_course(content: PageContent) -> Iterator[str]:
    periods = content.trial_periods()
    planned = sum(p.status is Status.PLANNED for p in periods)
    if planned:
        yield f"{_count(planned, 'planned period')} not been held yet."
    lost = sum(p.status in (Status.MISSED, Status.ABORTED, Status.EXCLUDED) for p in periods)
    if lost:
        yield (
            f"{_count(lost, 'period')} been missed, aborted or left out. The answer takes the "
            "reasons to have nothing to do with the condition."
        )
    swapped = sum(was_swapped(p) for p in periods)
    if swapped:
        yield (
            f"{_count(swapped, 'period')} been held under another condition than drawn, and counts "
            "as held: chance did not decide there."
        )
    if content.plan.design.scheme == "fixed":
        yield (
            "The order was fixed, not drawn: whatever else changed with time is mixed into the "
            "difference."
        )
    pairs = content.plan.design.blocks
    if content.plan.design.scheme == "randomised-pairs" and pairs < _FEW_PAIRS:
        yield (
            f"With {pairs} pairs even a difference that is the same way in every pair comes by "
            f"chance in {2 / 2**pairs:.0%} of trials; the range leans on noise being bell-shaped."
        )


def _of_the_knowledge(content: PageContent) -> Iterator[str]:
    if rule_was_changed(content):
        after_look = any(a.late and touches_rule(a) for a in content.amendments)
        moment = "data were opened" if after_look else "order was drawn"
        yield (
            f"The plan of outcomes or analysis was changed after the {moment}; error rates hold "
            "only for rules written down before."
        )
    late = sum("after the data were opened" in d.text for d in content.deviations)
    if late:
        yield f"{_count(late, 'entry', 'entries')} been changed after the data were opened."
    blind = content.plan.blinding.blind
    felt = [r.outcome for r in content.estimates if r.outcome.subjective]
    if felt and "athlete" not in blind:
        names = ", ".join(lower_first(o.label) for o in felt)
        yield f"Told by an athlete who knew the condition: {names}. Hopes can move that."


def was_swapped(period: PeriodRow) -> bool:
    """Whether a period was held under another condition than was drawn for it."""
    return period.delivered_condition not in (None, period.planned_condition)


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one} has" if number == 1 else f"{number} {many or one + 's'} have"
