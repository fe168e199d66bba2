"""From the tables of a protocol file to the plan the other rooms know."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from trialkit.domain.conditions import Condition
from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.outcomes import Better, Outcome, Role, Scale, TypicalError, Worthwhile
from trialkit.domain.plans import (
    AnalysisPlan,
    Blinding,
    CalendarPlan,
    CardStep,
    Constraints,
    DesignPlan,
    Expected,
    Hazards,
    Plan,
    RestPlan,
    Span,
)
from trialkit.domain.recordings import SegmentRule
from trialkit.protocol.conduct import WEEKDAYS, CalendarTable, DesignTable, RangeTable
from trialkit.protocol.measurement import ConditionTable, MeasureTable, OutcomeTable
from trialkit.protocol.schema import Protocol

IN_PLAN: Final = frozenset({"title", "question", "athlete", "invented"})


def plan_of(protocol: Protocol) -> Plan:
    """The plan of a protocol."""
    trial = protocol.trial
    return Plan(
        title=trial.title,
        question=trial.question,
        athlete=trial.athlete,
        conditions=conditions_of(protocol.conditions),
        outcomes=tuple(_outcome(o) for o in protocol.outcomes),
        design=design_plan(protocol.design, len(protocol.conditions)),
        rest=RestPlan(**{k: _span(r) for k, r in protocol.rest}),
        calendar=calendar_plan(protocol.calendar),
        analysis=AnalysisPlan(**protocol.analysis.model_dump()),
        expected=Expected(**protocol.expected.model_dump()),
        blinding=Blinding(**protocol.roles.model_dump()),
        segments=tuple(SegmentRule(**s.model_dump()) for s in protocol.segments),
        cautions=protocol.cautions.text,
        hazards=Hazards(**protocol.cautions.model_dump(exclude={"text"})),
        card=tuple(CardStep(s.minutes, s.text) for s in protocol.card.steps),
        invented=trial.invented,
        details=dict(_details(protocol)),
    )


def conditions_of(tables: Iterable[ConditionTable]) -> tuple[Condition, ...]:
    """The conditions' part of the plan."""
    return tuple(Condition(**table.model_dump()) for table in tables)


def _outcome(table: OutcomeTable) -> Outcome:
    half, gain = table.half_life, table.familiarisation_gain
    return Outcome(
        name=table.name,
        label=table.label,
        unit=table.unit,
        better=Better(table.better),
        role=Role(table.role),
        scale=Scale(table.scale),
        worthwhile=Worthwhile(**table.worthwhile.model_dump()) if table.worthwhile else None,
        typical_error=(
            TypicalError(**table.typical_error.model_dump()) if table.typical_error else None
        ),
        measure=_recipe(table.measure) if table.measure else None,
        subjective=table.subjective,
        half_life_min=half.value if half else None,
        half_life_source=half.source if half else "",
        familiarisation_gain=gain.value if gain else None,
        familiarisation_source=gain.source if gain else "",
    )


def _recipe(table: MeasureTable) -> MeasureRecipe:
    named = table.model_dump(include=set(MeasureTable.model_fields), exclude_none=True)
    return MeasureRecipe(**named, settings=dict(table.model_extra or {}))


def design_plan(design: DesignTable, conditions: int) -> DesignPlan:
    """The design's part of the plan, with its defaults written out."""
    size = design.block_size or conditions
    repeats = design.blocks if len(design.order) == size else 1
    return DesignPlan(
        scheme=design.scheme,
        blocks=design.blocks,
        block_size=size,
        periods_per_session=design.periods_per_session,
        familiarisation=design.familiarisation,
        baseline=design.baseline,
        order=design.order * repeats,
        constraints=Constraints(**design.constraints.model_dump()),
        matched_work=design.matched_work,
        conditions_act_within_period=design.acts_within_period,
        first_period_prepares_next=design.prepares_next,
        reason=design.reason,
    )


def _span(table: RangeTable | None) -> Span | None:
    if table is None:
        return None
    factor, unit = (60, "min") if table.unit == "h" else (1, table.unit)
    high = table.low if table.high is None else table.high
    return Span(table.low * factor, high * factor, unit, table.reason)


def calendar_plan(calendar: CalendarTable) -> CalendarPlan:
    """The calendar's part of the plan."""
    return CalendarPlan(
        start=calendar.start,
        time_zone=calendar.time_zone,
        weekdays=tuple(sorted(WEEKDAYS.index(day) for day in calendar.weekdays)),
        window=calendar.window,
        blackout=tuple((b.first, b.last) for b in calendar.blackout),
        sessions_per_week=calendar.sessions_per_week,
        session_min=calendar.session_min,
    )


def _details(protocol: Protocol) -> Iterator[tuple[str, str]]:
    for key, value in protocol.trial:
        if key not in IN_PLAN and value:
            yield f"trial.{key}", str(value)
    if protocol.design.period:
        yield "design.period", protocol.design.period
    for number, blackout in enumerate(protocol.calendar.blackout, start=1):
        if blackout.reason:
            yield f"calendar.blackout.{number}.reason", blackout.reason
