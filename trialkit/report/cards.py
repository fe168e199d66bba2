"""Session cards: what to do in one period, with timings, rests, stop signs and cautions."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import fill

from trialkit.domain.allocations import Period
from trialkit.domain.plans import Plan
from trialkit.report.words.cautions import STOP_SIGNS, Caution, cautions_for
from trialkit.report.words.pictures import upper_first

SEALED = "sealed until it is opened"
STARTED = "Started at"
RECORDING = "Recording (file or device)"
ALWAYS_WRITTEN = (
    "Sleep last night (h)",
    "Symptoms or injuries (“none”, or which)",
    "What was not as planned",
)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a card, with its start in minutes from the beginning (None: no fixed time)."""

    start_min: float | None
    minutes: float
    text: str


@dataclass(frozen=True, slots=True)
class Card:
    """Everything one card shows. ``condition`` and ``recipe`` are empty while sealed."""

    heading: str
    condition: str
    recipe: str
    rest: str
    steps: tuple[Step, ...]
    stop_signs: str
    cautions: tuple[Caution, ...]


def make_card(plan: Plan, period: Period) -> Card:
    """Fill the card of one period; an empty condition leaves it sealed."""
    condition = next((c for c in plan.conditions if c.name == period.condition), None)
    return Card(
        heading=f"Period {period.number} · session {period.session} · block {period.block}",
        condition=condition.label if condition else "",
        recipe=condition.recipe if condition else "",
        rest=_rest(period),
        steps=_steps(plan),
        stop_signs=STOP_SIGNS,
        cautions=cautions_for(plan.hazards),
    )


def practice_card(plan: Plan, *, phase: str, number: int) -> Card:
    """Fill the card of a practice or baseline period, held under the reference condition."""
    return Card(
        heading=f"{upper_first(phase)} {number}",
        condition=plan.reference.label,
        recipe=plan.reference.recipe,
        rest="",
        steps=_steps(plan),
        stop_signs=STOP_SIGNS,
        cautions=cautions_for(plan.hazards),
    )


def written_lines(plan: Plan) -> tuple[str, ...]:
    """What to write down by hand beside a period, each on a line of its own."""
    typed = (f"{o.label} ({o.unit})" for o in plan.outcomes if o.measure is None)
    recorded = any(o.measure is not None for o in plan.outcomes)
    return (STARTED, *typed, *([RECORDING] if recorded else []), *ALWAYS_WRITTEN)


def card_text(plan: Plan, period: Period) -> str:
    """Write the card as plain text for a terminal."""
    card = make_card(plan, period)
    lines = [card.heading, f"  Condition: {card.condition or SEALED}"]
    if card.recipe:
        lines.append(fill(card.recipe, 88, initial_indent="  ", subsequent_indent="  "))
    if card.rest:
        lines.append(f"  {card.rest}")
    if card.steps:
        lines += ["", "  Steps", *(f"    {clock(s)}  {s.text}" for s in card.steps)]
    lines += [
        "",
        fill(f"Stop signs: {card.stop_signs}", 88, initial_indent="  ", subsequent_indent="  "),
    ]
    return "\n".join([*lines, *(f"  Caution: {text}" for text in plan.cautions)])


def clock(step: Step) -> str:
    """When a step starts, as minutes and seconds from the beginning, and how long it takes."""
    if step.start_min is None:
        return "     "
    whole, seconds = divmod(round(step.start_min * 60), 60)
    return f"{whole:>2}:{seconds:02d}"


def _rest(period: Period) -> str:
    if period.rest is None:
        return ""
    unit = {"min": "minutes", "day": "days"}.get(period.rest_unit or "", period.rest_unit)
    return f"Rest before this period: {period.rest} {unit} (drawn)"


def _steps(plan: Plan) -> tuple[Step, ...]:
    """Lay the steps out in time; a step without a fixed time lets the clock start anew after it."""
    steps: list[Step] = []
    start = 0.0
    for step in plan.card:
        steps.append(Step(start if step.minutes else None, step.minutes, step.text))
        start = start + step.minutes if step.minutes else 0.0
    return tuple(steps)
