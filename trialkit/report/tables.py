"""Rows of the page's tables as plain text cells; the templates only lay them out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from trialkit.report.content import Kind, OutcomeResult, PageContent, PeriodRow, Status
from trialkit.report.numbers import HARD_SPACE, NO_NUMBER, Numbers, Printer, column_decimals
from trialkit.report.words import tables as words
from trialkit.report.words.pictures import upper_first
from trialkit.report.words.verdicts import declared_margin

# Month names of our own: those of strftime follow the machine's locale, and bytes would differ.
LATE: Final = ", after the data were opened"
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Table:
    """A table: caption, column heads, rows; ``numeric`` are columns set to the right."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()


def period_table(content: PageContent, numbers: Numbers) -> Table:
    """Every period in time order: planned against what happened, values, remarks."""
    outcomes = [r.outcome for r in content.estimates]
    decimals = {
        o.name: column_decimals(
            [v for p in content.periods if (v := p.values.get(o.name)) is not None]
        )
        for o in outcomes
    }
    year = _first_year(content)
    rows = [
        (
            _number(period),
            str(period.block) if period.kind is Kind.TRIAL else NO_NUMBER,
            f"{content.label(period.planned_condition)}{_moment(period.planned_start, year)}",
            _rest(period, numbers),
            _held(content, period, year),
            *(numbers.plain(period.values.get(o.name), decimals[o.name]) for o in outcomes),
            with_status(period),
        )
        for period in content.periods
    ]
    heads = words.PERIOD_HEADS
    values = tuple(f"{o.label} ({o.unit})" for o in outcomes)
    return Table(
        caption=_span(content),
        heads=(*heads, *values, words.REMARK),
        rows=tuple(rows),
        numeric=tuple(range(len(heads), len(heads) + len(values))),
    )


def covariate_table(content: PageContent, numbers: Numbers) -> Table:
    """What was noted beside the outcomes, with the time since the period before."""
    names = dict.fromkeys(name for p in content.periods for name in p.covariates)
    since = any(p.since_h is not None for p in content.periods)
    rows = [
        (
            _number(period),
            content.label(period.delivered_condition),
            *([_days(period.since_h, numbers)] if since else []),
            *(_noted(period.covariates.get(name), numbers) for name in names),
        )
        for period in content.periods
        if period.covariates
    ]
    heads = (*words.NOTED_HEADS, *([words.SINCE] if since else []), *names)
    return Table(words.NOTED, heads, tuple(rows))


def _noted(value: float | str | None, numbers: Numbers) -> str:
    if isinstance(value, str):
        return value
    return numbers.short(value)


def _days(hours: float | None, numbers: Numbers) -> str:
    if hours is None:
        return NO_NUMBER
    if hours < 24:
        return f"{numbers.plain(hours, 1)} h"
    return f"{numbers.plain(hours / 24, 1)} days"


def _rest(period: PeriodRow, numbers: Numbers) -> str:
    if period.rest is None:
        return NO_NUMBER
    unit = {"day": "day" if period.rest == 1 else "days"}.get(period.rest_unit, period.rest_unit)
    return numbers.with_unit(str(period.rest), unit)


def _number(period: PeriodRow) -> str:
    kind = "" if period.kind is Kind.TRIAL else f"{period.kind.value} "
    return f"{kind}{period.number}"


def _span(content: PageContent) -> str:
    moments = [m for p in content.periods if (m := p.actual_start or p.planned_start) is not None]
    if not moments:
        return words.PERIODS
    first, last = min(moments), max(moments)
    return (
        f"{words.PERIODS}, {_day(first)} {first.year} to {_day(last)} {last.year}; times "
        f"of {content.plan.calendar.time_zone}"
    )


def _first_year(content: PageContent) -> int | None:
    moments = [m for p in content.periods if (m := p.actual_start or p.planned_start) is not None]
    return min(moments).year if moments else None


def _day(moment: datetime, year: int | None = None) -> str:
    """Day and month; with the year where it is not the one that goes without saying."""
    told = f"{moment.day} {MONTHS[moment.month - 1]}"
    return told if year in (None, moment.year) else f"{told} {moment.year}"


def _moment(moment: datetime | None, year: int | None) -> str:
    if moment is None:
        return ""
    told = f"{_day(moment, year)} {moment:%H:%M}"
    return ", " + told.replace(" ", HARD_SPACE)


def _held(content: PageContent, period: PeriodRow, year: int | None) -> str:
    if period.kind is not Kind.TRIAL:
        return _moment(period.actual_start, year).lstrip(", ") or NO_NUMBER
    if period.delivered_condition is None:
        return "not held" if period.status is not Status.PLANNED else NO_NUMBER
    planned, started = period.planned_start, period.actual_start
    moment = "" if started is None else f"{_day(started, year)} {started:%H:%M}"
    if started is not None and planned is not None and started.date() == planned.date():
        moment = f"{started:%H:%M}"
    if period.delivered_condition == period.planned_condition:
        return moment or "as planned"
    return f"{content.label(period.delivered_condition)} (not as planned) {moment}".strip()


def with_status(period: PeriodRow) -> str:
    """What became of a period and why; the status is not said twice."""
    told = period.status is Status.DONE or period.status.value in period.note
    status = "" if told else period.status.value
    return upper_first("; ".join(part for part in (status, period.note) if part))


def contrast_table(content: PageContent, numbers: Numbers) -> Table:
    """Every contrast of every outcome with its range, p values and who is primary."""
    rows = [row for result in content.estimates for row in _contrast_rows(content, result, numbers)]
    levels = {
        numbers.level(c.interval.level)
        for result in content.estimates
        if result.estimate is not None
        for c in result.estimate.contrasts
    }
    span = f"{'/'.join(sorted(levels))} range".strip()
    heads = words.contrast_heads(span)
    return Table(words.CONTRASTS, heads, tuple(rows), numeric=(2, 3, 4, 5, 6))


def _contrast_rows(
    content: PageContent, result: OutcomeResult, numbers: Numbers
) -> list[tuple[str, ...]]:
    outcome = result.outcome
    name = f"{outcome.label} ({outcome.role.value})"
    if result.estimate is None:
        return [(name, upper_first(result.why_none) or NO_NUMBER, *[NO_NUMBER] * 5)]
    rows: list[tuple[str, ...]] = []
    for c in result.estimate.contrasts:
        printer = Printer.of(outcome, c.se, numbers)
        rows.append(
            (
                name,
                f"{content.label(c.condition)} − {content.label(c.reference)}",
                printer.difference(c.estimate),
                printer.interval(c.interval),
                numbers.p_value(c.p),
                numbers.p_value(c.p_adjusted),
                declared_margin(outcome, numbers),
            )
        )
    return rows


def sensitivity_table(result: OutcomeResult, numbers: Numbers) -> Table:
    """The primary question by the planned method and by each other one."""
    estimate = result.estimate
    if estimate is None:
        return Table(words.OTHER_METHODS, (), ())
    verdict = NO_NUMBER if estimate.decision is None else str(estimate.decision.verdict)
    found = [(result.contrast, verdict, "planned method")]
    found += [
        (r.contrast, NO_NUMBER if r.verdict is None else str(r.verdict), r.note)
        for r in estimate.sensitivity
    ]
    rows = []
    for c, told, note in found:
        printer = Printer.of(result.outcome, c.se or result.contrast.se, numbers)
        rows.append(
            (
                c.method,
                printer.difference(c.estimate),
                printer.interval(c.interval),
                numbers.p_value(c.p),
                told,
                note,
            )
        )
    return Table(words.SENSITIVITY, words.SENSITIVITY_HEADS, tuple(rows), numeric=(1, 2, 3))


def harm_table(content: PageContent) -> Table:
    """Symptoms and injuries by condition."""
    rows = tuple(
        (
            NO_NUMBER if h.period is None else str(h.period),
            content.label(h.condition),
            h.text,
            h.severity or NO_NUMBER,
        )
        for h in content.harms or ()
    )
    return Table(words.HARMS, words.HARM_HEADS, rows)


def deviation_table(content: PageContent) -> Table:
    """What did not go as planned."""
    rows = tuple(
        (
            d.when,
            NO_NUMBER if d.period is None else str(d.period),
            upper_first(d.text),
            d.by or NO_NUMBER,
        )
        for d in content.deviations
    )
    return Table(words.DEVIATIONS, words.DEVIATION_HEADS, rows)


def amendment_table(content: PageContent) -> Table:
    """Changes of the plan after the order was drawn."""
    rows = tuple(
        (f"{a.when}{LATE if a.late else ''}", a.field, a.before, a.after, upper_first(a.reason))
        for a in content.amendments
    )
    return Table(words.AMENDMENTS, words.AMENDMENT_HEADS, rows)


def quality_table(content: PageContent, *, faults_only: bool = False) -> Table:
    """What a careful reader wants to know about files and periods."""
    caption = words.TO_LOOK_AT if faults_only else words.QUALITY
    # The same finding in many periods is one row.
    found: dict[tuple[str, bool, str], list[int]] = {}
    for q in content.quality:
        if not (faults_only and q.ok):
            periods = found.setdefault((q.item, q.ok, q.finding), [])
            periods += [] if q.period is None else [q.period]
    rows = tuple(
        (item, number_ranges(periods), "fine" if ok else "look at this", finding)
        for (item, ok, finding), periods in found.items()
    )
    return Table(caption, words.QUALITY_HEADS, rows)


def number_ranges(numbers: list[int]) -> str:
    """Print whole numbers with neighbours drawn together.

    Examples
    --------
    >>> number_ranges([3, 1, 2, 7])
    '1 to 3, 7'
    """
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told = (str(r[0]) if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in runs)
    return ", ".join(told) or NO_NUMBER


def facts_table(content: PageContent) -> Table:
    """Seal, hashes and versions: what ties the page to the plan."""
    seal = content.seal
    rows: list[tuple[str, str]] = []
    if seal is not None:
        rows += [
            ("Protocol, SHA-256", seal.protocol_sha256),
            ("Sealed order, fingerprint", seal.commitment),
            ("Seed", seal.why_no_seed if seal.seed is None else str(seal.seed)),
            ("Draw", seal.method),
            ("Frozen at", seal.frozen_at),
            ("Last journal entry", seal.journal_head),
        ]
    rows += [(name, version) for name, version in content.versions.items()]
    kept = tuple((name, value) for name, value in rows if value)
    return Table(words.FACTS, words.FACT_HEADS, kept)
