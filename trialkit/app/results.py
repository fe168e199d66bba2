"""Typed results: reading numbers as people write them, in the protocol's units."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from trialkit.app.trials import Trial, period_or_current
from trialkit.domain.outcomes import Outcome, Scale
from trialkit.domain.plans import Plan
from trialkit.domain.units import convert
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import Measured, Phase

HELD_AT = "held_at"
"""Name of the covariate that says when a period was really held."""
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


def read_number(text: str, *, where: str) -> float:
    """Read a number with a decimal point or comma.

    Raises
    ------
    RequestError
        When it is no number, or could be read in two ways.

    Examples
    --------
    >>> read_number("34,2", where="--value")
    34.2
    """
    text = text.strip()
    if _THOUSANDS.fullmatch(text):
        raise RequestError(
            Problem(
                where=where,
                found=repr(text),
                wrong="it can be read as thousands or as a decimal comma.",
                fix=f"write {text.replace(',', '')} or {text.replace(',', '.')}.",
            )
        )
    if not _NUMBER.fullmatch(text):
        raise RequestError(
            Problem(
                where=where,
                found=repr(text),
                wrong="it is not a number.",
                fix="write it like 34.2 or 34,2, the unit with --unit.",
            )
        )
    return float(text.replace(",", "."))


def find_outcome(plan: Plan, name: str) -> Outcome:
    """Look an outcome up; without a name, the primary one, or the only one.

    Raises
    ------
    RequestError
        When there is no such outcome.
    """
    names = [o.name for o in plan.outcomes]
    if not name and (plan.primary or len(names) == 1):
        return plan.primary or plan.outcomes[0]
    for outcome in plan.outcomes:
        if outcome.name == name:
            return outcome
    raise RequestError(
        Problem(
            where="--outcome",
            found=repr(name) if name else "no outcome",
            wrong="the protocol has no such outcome." if name else "it has several outcomes.",
            fix="use one of " + ", ".join(names) + ".",
        )
    )


def result_draft(plan: Plan, place: tuple[Phase, int, str], value: str, unit: str) -> Draft:
    """Draft a typed result for (phase, period, outcome), in the outcome's unit."""
    phase, period, name = place
    outcome = find_outcome(plan, name)
    number = read_number(value, where="--value")
    if unit:
        number = convert(number, unit, outcome.unit)
    if outcome.scale is Scale.LOG and number <= 0:
        raise RequestError(
            Problem(
                where=outcome.name,
                found=f"{number:g} {outcome.unit}",
                wrong="this outcome is analysed on a log scale, which needs values above zero.",
                fix="check the value and its sign.",
            )
        )
    return Draft(
        Kind.RESULT,
        {
            "period": period,
            "outcome": outcome.name,
            "value": number,
            "unit": outcome.unit,
            "phase": phase,
        },
    )


def correction_draft(trial: Trial, entry: int, value: str, *, reason: str) -> Draft:
    """Draft the correction of a typed or measured value.

    Raises
    ------
    RequestError
        When the entry is not a value in force.
    """
    told = {t.entry: t for t in trial.state.values.values()}.get(entry)
    if told is None:
        raise RequestError(
            Problem(
                where="--correct",
                found=f"entry {entry}",
                wrong="it is not a value in force.",
                fix="name the last entry of the value (trialkit verify --entries lists them), or "
                "take another sort of entry back with --withdraw.",
            )
        )
    number = read_number(value, where="--value")
    record = told.record
    place = {"period": record.period, "outcome": record.outcome, "phase": record.phase}
    if isinstance(record, Measured):
        payload = {**place, "unit": record.unit, "value": number, "settings": {"typed": True}}
        return Draft(Kind.MEASURED, payload, corrects=entry, reason=reason)
    return Draft(
        Kind.RESULT, {**place, "unit": record.unit, "value": number}, corrects=entry, reason=reason
    )


def held_draft(plan: Plan, place: tuple[Phase, int], text: str) -> Draft:
    """Draft when a period was really held, in the protocol's time zone unless the text says one.

    Raises
    ------
    RequestError
        When the text is no day and time.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise RequestError(
            Problem(
                where="--held",
                found=repr(text),
                wrong="it is not a day and time.",
                fix="write it like 2026-03-08 17:10.",
            )
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(plan.calendar.time_zone))
    phase, period = place
    about = {"period": period, "phase": phase}
    return Draft(Kind.COVARIATE, {**about, "name": HELD_AT, "value": moment.isoformat()})


def table_drafts(trial: Trial, path: Path) -> list[Draft]:
    """Draft one result per row of a table with columns period, outcome, value, unit and held.

    ``outcome``, ``unit`` and ``held`` may be left out.

    Raises
    ------
    RequestError
        With every row that does not fit, at once.
    """
    from trialkit.ingest.tables import read_table

    frame = read_table(path, numbers=("period", "value"), optional=("outcome", "unit", "held"))
    drafts: list[Draft] = []
    problems: list[Problem] = []
    lines: dict[tuple[int, str], object] = {}
    for line, row in frame.iterrows():
        try:
            period = period_or_current(trial, int(row["period"]))
            place = (Phase.TRIAL, period, str(row.get("outcome", "")))
            draft = result_draft(trial.plan, place, repr(row["value"]), row.get("unit", ""))
            key = (period, draft.payload["outcome"])
            if key in lines:
                raise RequestError(_twice(key, lines[key]))
            lines[key] = line
            drafts.append(draft)
            if row.get("held"):
                drafts.append(held_draft(trial.plan, (Phase.TRIAL, period), row["held"]))
        except RequestError as error:
            problems += [
                replace(p, where=f"{path.name}, {p.where}", line=int(str(line)))
                for p in error.problems
            ]
    if problems:
        raise RequestError(problems)
    return drafts


def _twice(key: tuple[int, str], line: object) -> Problem:
    return Problem(
        where=f"period {key[0]}, {key[1]}",
        found="a second value",
        wrong=f"line {line} gives one already.",
        fix="keep one of the two lines.",
    )
