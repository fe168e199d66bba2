"""All session cards of a trial as one printable page; sealed periods name no condition."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from trialkit.domain.allocations import Period
from trialkit.domain.plans import Plan
from trialkit.report.cards import (
    SEALED,
    Card,
    clock,
    make_card,
    practice_card,
    written_lines,
)
from trialkit.report.page import template_environment
from trialkit.report.words.cautions import cautions_for
from trialkit.report.words.page import document_title

INTRO = (
    "One card per period. The condition is opened with `trialkit next` when its period is about to "
    "start, not before. Write down what happened, also when it went wrong."
)


@dataclass(frozen=True, slots=True)
class DatedCard:
    """A period with its planned start; an empty condition is sealed."""

    period: Period
    start: datetime | None


@dataclass(frozen=True, slots=True)
class PracticeCard:
    """A practice or baseline period (``phase``) with its planned start."""

    phase: str
    number: int
    start: datetime


def render_cards(
    plan: Plan, periods: Iterable[DatedCard], practice: Iterable[PracticeCard] = ()
) -> str:
    """Write the cards of practice and of the given periods as one HTML document."""
    view: dict[str, Any] = {
        "plan": plan,
        "title": document_title(plan),
        "running_head": plan.title,
        "invented": plan.invented,
        "variant": "cards",
        "intro": INTRO,
        "sealed": f"Condition {SEALED}",
        "cards": [
            *(_practice_view(plan, card) for card in practice),
            *(_card_view(plan, dated) for dated in periods),
        ],
        "cautions": cautions_for(plan.hazards),
    }
    return template_environment().get_template("cards.html").render(view) + "\n"


def _card_view(plan: Plan, dated: DatedCard) -> dict[str, Any]:
    return _view(make_card(plan, dated.period), plan, dated.start)


def _practice_view(plan: Plan, practice: PracticeCard) -> dict[str, Any]:
    card = practice_card(plan, phase=practice.phase, number=practice.number)
    return {**_view(card, plan, practice.start), "practice": True}


def _view(card: Card, plan: Plan, start: datetime | None) -> dict[str, Any]:
    return {
        "practice": False,
        "heading": card.heading,
        "when": start.strftime("%A %d %B %Y, %H:%M") if start else "",
        "condition": card.condition,
        "recipe": card.recipe,
        "rest": card.rest,
        "stop_signs": card.stop_signs,
        "lines": written_lines(plan),
        "steps": [
            {
                "clock": clock(s).strip(),
                "minutes": f"{s.minutes:g}" if s.minutes else "",
                "text": s.text,
            }
            for s in card.steps
        ],
    }
