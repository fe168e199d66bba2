"""Faults between the design and what it is made of: conditions, block size, order, rests."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from trialkit.design.schemes import possible_sequences
from trialkit.domain.plans import Plan
from trialkit.errors import RequestError
from trialkit.protocol.conduct import CalendarTable, DesignTable, RangeTable, RestTable
from trialkit.protocol.findings import Finding, written
from trialkit.protocol.mapping import calendar_plan, conditions_of, design_plan
from trialkit.protocol.measurement import ConditionTable

_REST_UNITS: Final = {"between_periods": ("min", "h"), "between_sessions": ("day",)}
_OWN_CONSTRAINTS: Final = (("min_phase", "phase-change"), ("block_days", "multi-day-blocks"))


def design_faults(
    conditions: tuple[ConditionTable, ...], design: DesignTable, calendar: CalendarTable
) -> Iterator[Finding]:
    """What does not fit between the scheme, its blocks and order, and the conditions."""
    names = [condition.name for condition in conditions]
    found = [*_constraint_faults(design), *_order_faults(design, names)]
    if not found and sum(c.reference for c in conditions) == 1:
        found += _scheme_faults(conditions, design, calendar)
    yield from found


def _scheme_faults(
    conditions: tuple[ConditionTable, ...], design: DesignTable, calendar: CalendarTable
) -> Iterator[Finding]:
    """What the scheme itself refuses; the other tables of the plan do not matter to it."""
    plan = Plan(
        title="",
        question="",
        athlete="",
        conditions=conditions_of(conditions),
        outcomes=(),
        design=design_plan(design, len(conditions)),
        calendar=calendar_plan(calendar),
    )
    try:
        possible_sequences(plan)
    except RequestError as error:
        for problem in error.problems:
            path = tuple(problem.where.split("."))
            echo = path == ("design", "block_size") and design.block_size is None
            if not echo or len(error.problems) == 1:
                yield Finding(path, problem.found, problem.wrong, problem.fix)


def _constraint_faults(design: DesignTable) -> Iterator[Finding]:
    for key, scheme in _OWN_CONSTRAINTS:
        value = getattr(design.constraints, key)
        if value is None and design.scheme == scheme:
            yield Finding(
                ("design",),
                f"no {key}",
                f'scheme "{scheme}" needs it.',
                f"add [design.constraints] with {key} = 3, or what the question needs.",
            )
        if value is not None and design.scheme != scheme:
            yield Finding(
                ("design", "constraints", key),
                str(value),
                f'it has a meaning only for scheme "{scheme}".',
                "delete it or change the scheme.",
            )


def _order_faults(design: DesignTable, names: list[str]) -> Iterator[Finding]:
    path = ("design", "order")
    if design.scheme != "fixed":
        if design.order:
            yield Finding(
                path,
                written(design.order),
                f'scheme "{design.scheme}" draws the order.',
                'delete the order, or use scheme = "fixed" if it cannot be drawn.',
            )
        return
    size = design.block_size or len(names)
    total = design.blocks * size
    if len(design.order) not in (size, total):
        yield Finding(
            path if design.order else ("design",),
            f"an order of {len(design.order)}",
            f"a fixed order names the condition of each period: {size} for one block, "
            f"{total} for the whole trial.",
            f"list {total} names, such as order = {written((names * total)[: min(total, 8)])}.",
        )
    for index, name in enumerate(design.order):
        if name not in names:
            yield Finding(
                (*path, index),
                written(name),
                "no condition has this name.",
                f"use {' or '.join(names)}.",
            )
    unused = [name for name in names if name not in design.order]
    if design.order and unused:
        yield Finding(
            path,
            f"no {' and no '.join(unused)}",
            "each condition is applied at least once.",
            "put it into the order, or delete the condition.",
        )


def rest_faults(rest: RestTable) -> Iterator[Finding]:
    """Rests with their ends swapped or in a unit that does not fit."""
    for key, span in rest:
        if span is not None:
            yield from _span_faults(key, span)


def session_faults(design: DesignTable, rest: RestTable) -> Iterator[Finding]:
    """A rest within sessions that is missing, or given where a session holds one period."""
    several = design.periods_per_session > 1
    if several and rest.between_periods is None:
        yield Finding(
            ("rest",),
            "no between_periods",
            f"a session holds {design.periods_per_session} periods.",
            'add between_periods = { from = 45, to = 60, unit = "min" }, or what it needs.',
        )
    if not several and rest.between_periods is not None:
        yield Finding(
            ("rest", "between_periods"),
            "a rest between periods of one session",
            "a session holds one period.",
            "set periods_per_session = 2 or more in [design], or use between_sessions.",
        )


def _span_faults(key: str, span: RangeTable) -> Iterator[Finding]:
    if span.high is not None and span.high < span.low:
        yield Finding(
            ("rest", key),
            f"from {span.low} to {span.high}",
            "the longest rest is shorter than the shortest.",
            "give the shorter one first.",
        )
    units = _REST_UNITS.get(key, (span.unit,))
    if span.unit not in units:
        yield Finding(
            ("rest", key, "unit"),
            written(span.unit),
            "rests within a session are timed by the clock, rests between sessions by days.",
            f"give it in {' or '.join(units)}.",
        )
    if key == "between_sessions" and span.low < 1:
        yield Finding(
            ("rest", key, "from"),
            str(span.low),
            "two sessions fall on two days; 1 is the next day.",
            "give 1 or more, or use periods_per_session for periods on one day.",
        )
