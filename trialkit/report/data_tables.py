"""The tables of one trial's data, each column with its meaning and unit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from trialkit.report.checklist import Answered, checklist_rows
from trialkit.report.content import ChannelCurves, Kind, PageContent, Status

Cell = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name, type of Table Schema, what it means, and its unit."""

    name: str
    type: str
    description: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class DataTable:
    """One table: file name without ending, what it holds, its columns and rows."""

    name: str
    description: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


def values_table(content: PageContent) -> DataTable:
    """What was measured, one row per period and outcome."""
    rows = tuple(
        (
            content.plan.athlete,
            period.kind.value,
            period.number,
            period.block or None,
            period.session or None,
            period.delivered_condition or period.planned_condition,
            result.outcome.name,
            period.values.get(result.outcome.name),
            result.outcome.unit,
            _stamp(period.actual_start),
            period.status is Status.DONE and period.kind is Kind.TRIAL,
        )
        for period in content.periods
        for result in content.estimates
    )
    return DataTable(
        "values",
        "One row per period and outcome, as measured",
        (
            Column("athlete", "string", "label of the athlete"),
            Column("kind", "string", "trial, familiarisation or baseline"),
            Column("period", "integer", "number of the period in time order, from 1"),
            Column("block", "integer", "number of the block, from 1"),
            Column("session", "integer", "number of the session, from 1"),
            Column("condition", "string", "condition held; the planned one where none was held"),
            Column("outcome", "string", "name of the outcome"),
            Column("value", "number", "measured value in the unit of its row"),
            Column("unit", "string", "unit of the value"),
            Column("started_at", "datetime", "start of the period in UTC"),
            Column("used", "boolean", "true when the period enters the analysis"),
        ),
        rows,
    )


def periods_table(content: PageContent) -> DataTable:
    """What was planned and what was held, one row per period."""
    rows = tuple(
        (
            p.number,
            p.block or None,
            p.session or None,
            p.kind.value,
            p.planned_condition,
            p.delivered_condition,
            _stamp(p.planned_start),
            _stamp(p.actual_start),
            p.status.value,
            p.rest,
            p.rest_unit or None,
            p.since_h,
            p.note,
        )
        for p in content.periods
    )
    return DataTable(
        "periods",
        "One row per period: planned and held",
        (
            Column("period", "integer", "number of the period in time order, from 1"),
            Column("block", "integer", "number of the block, from 1"),
            Column("session", "integer", "number of the session, from 1"),
            Column("kind", "string", "trial, familiarisation or baseline"),
            Column("planned_condition", "string", "condition that was drawn"),
            Column("held_condition", "string", "condition that was held"),
            Column("planned_start", "datetime", "planned start in UTC"),
            Column("started_at", "datetime", "start in UTC"),
            Column("status", "string", "done, missed, excluded or planned"),
            Column("rest", "integer", "rest drawn before the period, in its unit"),
            Column("rest_unit", "string", "unit of the rest: min or day"),
            Column("hours_since", "number", "hours since the start of the period before", "h"),
            Column("note", "string", "remark"),
        ),
        rows,
    )


def contrasts_table(content: PageContent) -> DataTable:
    """Every comparison of every outcome, on the scale of its analysis."""
    rows = tuple(
        (
            result.outcome.name,
            result.outcome.role.value,
            c.condition,
            c.reference,
            c.method,
            result.outcome.scale.value,
            c.estimate,
            c.se,
            c.df,
            c.interval.low,
            c.interval.high,
            c.interval.level,
            c.p,
            c.p_adjusted,
        )
        for result in content.estimates
        if result.estimate is not None
        for c in result.estimate.contrasts
    )
    number = "on the scale of the analysis (logs where scale is log)"
    return DataTable(
        "contrasts",
        "One row per outcome and comparison",
        (
            Column("outcome", "string", "name of the outcome"),
            Column("role", "string", "primary, secondary or check"),
            Column("condition", "string", "condition"),
            Column("reference", "string", "condition it is compared with"),
            Column("method", "string", "method of the estimate"),
            Column("scale", "string", "raw or log"),
            Column("estimate", "number", f"condition minus reference, {number}"),
            Column("se", "number", f"standard error, {number}"),
            Column("df", "number", "degrees of freedom"),
            Column("low", "number", f"lower end of the interval, {number}"),
            Column("high", "number", f"upper end of the interval, {number}"),
            Column("level", "number", "level of the interval"),
            Column("p", "number", "two-sided p value"),
            Column("p_adjusted", "number", "p value adjusted for the number of outcomes"),
        ),
        rows,
    )


def covariates_table(content: PageContent) -> DataTable:
    """What was noted beside the outcomes, one row per period and name."""
    rows = tuple(
        (p.kind.value, p.number, name, str(value))
        for p in content.periods
        for name, value in p.covariates.items()
    )
    return DataTable(
        "covariates",
        "One row per period and thing noted beside the outcomes",
        (
            Column("kind", "string", "trial, familiarisation or baseline"),
            Column("period", "integer", "number of the period in time order, from 1"),
            Column("name", "string", "what was noted, its unit in brackets"),
            Column("value", "string", "what it was: a number or words"),
        ),
        rows,
    )


def checklist_table(answered: Iterable[Answered]) -> DataTable:
    """A checklist as a table."""
    rows = checklist_rows(answered)
    return DataTable(
        "checklist",
        "Items of the reporting guideline for n-of-1 trials (CENT 2015 numbering)",
        (
            Column("item", "string", "number of the item"),
            Column("asks", "string", "what it asks for"),
            Column("state", "string", "filled, missing or does not apply"),
            Column("answer", "string", "the answer, or where to enter it"),
        ),
        tuple(tuple(row.values()) for row in rows),
    )


def curves_table(curves: ChannelCurves, *, number: int) -> DataTable:
    """The aligned curves of one channel, one column per period."""
    counted = tuple(range(1, len(curves.conditions) + 1))
    periods = [f"period_{number}" for number in curves.periods or counted]
    columns = [Column("time", "number", "seconds from the start of the effort", "s")]
    columns += [
        Column(name, "number", f"{curves.channel} of one period under {condition}", curves.unit)
        for name, condition in zip(periods, curves.conditions, strict=True)
    ]
    rows = tuple(
        (float(t), *map(float, column))
        for t, column in zip(curves.time_s, curves.values.T, strict=True)
    )
    return DataTable(
        f"curves-{number}", f"{curves.channel} through the effort", tuple(columns), rows
    )


def _stamp(moment: datetime | None) -> str | None:
    if moment is None:
        return None
    # A time without a zone is passed on as it is: nobody here can know which zone was meant.
    if moment.tzinfo is None:
        return moment.isoformat()
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
