"""From a plan back to the tables of a protocol file, so that a mended plan can be written down."""

from __future__ import annotations

from dataclasses import asdict, fields
from datetime import date
from typing import Any

from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.outcomes import Outcome
from trialkit.domain.plans import CalendarPlan, Plan, RestPlan
from trialkit.protocol.conduct import WEEKDAYS


def tables_of(plan: Plan) -> dict[str, Any]:
    """The tables of the file that gives this plan, as ``tomllib`` would read them."""
    tables: dict[str, Any] = {
        "format": 1,
        "trial": _trial(plan),
        "conditions": [asdict(condition) for condition in plan.conditions],
        "outcomes": [_outcome(outcome) for outcome in plan.outcomes],
        "segments": [_present(asdict(segment)) for segment in plan.segments],
        "design": _design(plan),
        "rest": _rest(plan.rest),
        "calendar": _calendar(plan.calendar, plan.details),
        "analysis": _present(asdict(plan.analysis)),
        "expected": _present(asdict(plan.expected)),
        "roles": asdict(plan.blinding),
        "cautions": {**asdict(plan.hazards), "text": plan.cautions},
        "card": {"steps": [asdict(step) for step in plan.card]},
    }
    return {name: _with_lists(table) for name, table in tables.items()}


def _trial(plan: Plan) -> dict[str, Any]:
    details = {
        key.removeprefix("trial."): text
        for key, text in plan.details.items()
        if key.startswith("trial.")
    }
    trial: dict[str, Any] = {
        "title": plan.title,
        "question": plan.question,
        "athlete": plan.athlete,
        **details,
        "invented": plan.invented,
    }
    if "written" in details:
        trial["written"] = date.fromisoformat(details["written"])
    return trial


def _outcome(outcome: Outcome) -> dict[str, Any]:
    table = _present(
        {
            "name": outcome.name,
            "label": outcome.label,
            "unit": outcome.unit,
            "better": outcome.better.value,
            "role": outcome.role.value,
            "scale": outcome.scale.value,
            "worthwhile": asdict(outcome.worthwhile) if outcome.worthwhile else None,
            "typical_error": (
                _present(asdict(outcome.typical_error)) if outcome.typical_error else None
            ),
            "measure": _measure(outcome.measure) if outcome.measure else None,
            "subjective": outcome.subjective,
        }
    )
    for key, value, source in (
        ("half_life", outcome.half_life_min, outcome.half_life_source),
        ("familiarisation_gain", outcome.familiarisation_gain, outcome.familiarisation_source),
    ):
        if value is not None:
            table[key] = {"value": value, "source": source}
    return table


def _measure(recipe: MeasureRecipe) -> dict[str, Any]:
    own = {f.name: getattr(recipe, f.name) for f in fields(recipe) if f.name != "settings"}
    defaults = {f.name: f.default for f in fields(recipe)}
    return {
        **{key: value for key, value in own.items() if value != defaults[key]},
        **recipe.settings,
    }


def _design(plan: Plan) -> dict[str, Any]:
    table = asdict(plan.design)
    if plan.design.block_size == len(plan.conditions):
        del table["block_size"]
    table["prepares_next"] = table.pop("first_period_prepares_next")
    table["acts_within_period"] = table.pop("conditions_act_within_period")
    table["constraints"] = _present(table["constraints"])
    table["period"] = plan.details.get("design.period", "")
    return table


def _rest(rest: RestPlan) -> dict[str, Any]:
    spans = {f.name: getattr(rest, f.name) for f in fields(rest)}
    return {
        key: {"from": span.low, "to": span.high, "unit": span.unit, "reason": span.reason}
        for key, span in spans.items()
        if span is not None
    }


def _calendar(calendar: CalendarPlan, details: dict[str, str]) -> dict[str, Any]:
    table = _present(asdict(calendar))
    table["weekdays"] = [WEEKDAYS[number] for number in calendar.weekdays]
    table["blackout"] = [
        {
            "from": first,
            "to": last,
            "reason": details.get(f"calendar.blackout.{number}.reason", ""),
        }
        for number, (first, last) in enumerate(calendar.blackout, start=1)
    ]
    if calendar.window is not None:
        table["window"] = [clock.strftime("%H:%M") for clock in calendar.window]
    return table


def _present(table: dict[str, Any]) -> dict[str, Any]:
    """A table without its open entries: TOML has no null."""
    return {key: value for key, value in table.items() if value is not None}


def _with_lists(value: Any) -> Any:
    """The same with every tuple as the list it is in TOML."""
    if isinstance(value, dict):
        return {key: _with_lists(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_with_lists(item) for item in value]
    return value
