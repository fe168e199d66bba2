"""The reporting checklist of n-of-1 trials: every item filled, named missing, or not applicable.

Numbering is that of the CONSORT extension for n-of-1 trials (CENT 2015; J Clin Epidemiol 2016,
76:18-46, and BMJ 2015;350:h1738). The wording of the items is our own. Items 1a to 5 were read in
stored copies of the published table; the others are from memory, with the verified total of 44.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from trialkit.domain.plans import Plan
from trialkit.report.content import PageContent
from trialkit.report.numbers import NO_NUMBER
from trialkit.report.tables import Table
from trialkit.report.words.checklist_answers import Item
from trialkit.report.words.checklist_items import ITEMS
from trialkit.report.words.pictures import upper_first
from trialkit.report.words.protocol_items import PROTOCOL_ITEMS


class State(StrEnum):
    """Whether an item of the checklist is answered."""

    FILLED = "filled"
    MISSING = "missing"
    NOT_APPLICABLE = "does not apply"


@dataclass(frozen=True, slots=True)
class Answered:
    """An item with its state and its answer, or where to enter it."""

    number: str
    asks: str
    state: State
    answer: str


def report_checklist(content: PageContent) -> tuple[Answered, ...]:
    """Answer every item of the reporting guideline from a trial's report."""
    return tuple(_answer(item, _from_page(item, content)) for item in ITEMS)


def protocol_checklist(plan: Plan) -> tuple[Answered, ...]:
    """Answer the items that have to be settled before the first period, from the plan alone."""
    asked = (*(i for i in ITEMS if i.of_plan is not None), *PROTOCOL_ITEMS)
    return tuple(_answer(item, item.of_plan(plan) if item.of_plan else "") for item in asked)


def checklist_rows(answered: Iterable[Answered]) -> list[dict[str, str]]:
    """The checklist as rows for a table file."""
    return [
        {"item": a.number, "asks": a.asks, "state": a.state.value, "answer": a.answer}
        for a in answered
    ]


def checklist_summary(answered: Iterable[Answered]) -> str:
    """How many items are answered, and which are missing."""
    told = list(answered)
    filled = sum(a.state is State.FILLED for a in told)
    absent = [
        a.asks if a.number == NO_NUMBER else a.number for a in told if a.state is State.MISSING
    ]
    off = sum(a.state is State.NOT_APPLICABLE for a in told)
    said = f"{filled} of {len(told)} items are filled"
    said += f", {off} do not apply to one athlete" if off else ""
    return f"{said}, {len(absent)} missing: {', '.join(absent)}." if absent else f"{said}."


def checklist_table(answered: Iterable[Answered], caption: str) -> Table:
    """The checklist as a table of the page."""
    rows = tuple((a.number, a.asks, a.state.value, a.answer) for a in answered)
    return Table(caption, ("Item", "Asks for", "State", "Answer, or where to enter it"), rows)


def _from_page(item: Item, content: PageContent) -> str:
    if item.of_page is not None:
        return item.of_page(content)
    return item.of_plan(content.plan) if item.of_plan is not None else ""


def _answer(item: Item, answer: str) -> Answered:
    if item.never:
        return Answered(item.number, item.asks, State.NOT_APPLICABLE, item.never)
    if answer:
        return Answered(item.number, item.asks, State.FILLED, upper_first(answer))
    return Answered(item.number, item.asks, State.MISSING, f"Enter it in {item.enter}.")
