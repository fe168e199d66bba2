"""Open the next period, and only that one, and show its card."""

from __future__ import annotations

from base64 import b64decode
from datetime import datetime
from pathlib import Path

from trialkit.app.answers import Answer
from trialkit.app.outcome_table import held_starts
from trialkit.app.trials import Trial, departs_warning, open_trial
from trialkit.domain.allocations import Period
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import Departure, PeriodOpened
from trialkit.journal.seal import Seal
from trialkit.report.cards import card_text

_GRACE_MIN = 180.0


def open_next(
    root: Path, *, code: str = "", period: int | None = None, at: datetime, who: str
) -> Answer:
    """Open the next period's condition, or show the opened one again while it waits.

    ``period`` opens one that was missed and is now made up.

    Raises
    ------
    RequestError
        When a code is needed and missing, or ``period`` is not one to be made up.
    JournalError
        When the code or the seal does not fit.
    """
    trial = open_trial(root)
    if trial.current is not None:
        opened = _opened_period(trial, trial.current)
        return _card(trial, opened, again=True, warnings=departs_warning(trial))
    number = trial.state.next_period if period is None else _made_up(trial, period)
    if number is None:
        return _nothing_left(trial)
    warnings = [*departs_warning(trial), *_rest_warning(trial, at)]
    drawn = _unsealed(trial, number, code)
    payload = {
        "period": number,
        "block": drawn.block,
        "position": drawn.position,
        "session": drawn.session,
        "condition": drawn.condition,
        "rest": drawn.rest,
        "rest_unit": drawn.rest_unit,
    }
    trial.add([Draft(Kind.PERIOD_OPENED, payload)], at=at, who=who)
    return _card(trial, drawn, again=False, warnings=warnings)


def _nothing_left(trial: Trial) -> Answer:
    folder = trial.folder.root
    return Answer(
        f"All {trial.state.planned} periods were opened or missed; none is left.\n"
        f"Next: trialkit analyse {folder}, then trialkit report {folder}",
        {"period": None, "of": trial.state.planned},
    )


def _made_up(trial: Trial, period: int) -> int:
    missed = trial.state.periods_with(Departure.MISSED) - trial.state.opened.keys()
    if period == trial.state.next_period or period in missed:
        return period
    told = ", ".join(map(str, sorted(missed))) or "none"
    raise RequestError(
        Problem(
            where="--period",
            found=str(period),
            wrong="only the next period, or one that was missed, can be opened.",
            fix=f"leave --period out, or name a missed one ({told}).",
        )
    )


def _rest_warning(trial: Trial, at: datetime) -> list[str]:
    """Say so when the last period was held less than the shortest planned rest ago."""
    opened = trial.state.of(PeriodOpened)
    following = trial.state.next_period
    if not opened or following is None:
        return []
    opens_session = (following - 1) % trial.plan.design.periods_per_session == 0
    rest = trial.plan.rest
    span = rest.between_sessions if opens_session else rest.between_periods
    if span is None:
        return []
    hours = (at - max(held_starts(trial).values())).total_seconds() / 3600
    # A session may start a little before the clock time of the one before it.
    grace = _GRACE_MIN if opens_session else 0.0
    if hours * 60 >= span.low_min - grace:
        return []
    return [
        f"the period before was held {hours:.1f} h ago; the protocol plans a rest of at least "
        f"{span.low} {span.unit}. Opened all the same: the page shows the real rest."
    ]


def _unsealed(trial: Trial, number: int, code: str) -> Period:
    record = trial.state.seal_of(number)
    if record is None:
        raise RequestError(
            Problem(
                where="sequence",
                found=f"no seal for period {number}",
                wrong="the order for this period was never drawn.",
                fix="run: trialkit verify.",
            )
        )
    sealed = Seal.from_record(record)
    if record.key is not None:
        return sealed.open_period(number, b64decode(record.key))
    if not code:
        raise RequestError(
            Problem(
                where="--code",
                found="no code",
                wrong=f"the keys are with {record.keyholder}.",
                fix=f"ask for the code of period {number} and give it with --code.",
            )
        )
    return sealed.open_with_code(number, code)


def _opened_period(trial: Trial, number: int) -> Period:
    opened = trial.state.opened[number]
    return Period(
        number=number,
        block=opened.block,
        position=opened.position,
        session=opened.session,
        condition=opened.condition or "",
        rest=opened.rest,
        rest_unit=opened.rest_unit,
    )


def _card(trial: Trial, period: Period, *, again: bool, warnings: list[str]) -> Answer:
    lines = [f"Warning: {text}" for text in warnings]
    if again:
        lines.append(f"Period {period.number} is open already and waits for its result.")
    if lines:
        lines.append("")
    condition = next((c for c in trial.plan.conditions if c.name == period.condition), None)
    return Answer(
        "\n".join([*lines, card_text(trial.plan, period), "", _what_then(trial)]),
        {
            "period": period.number,
            "of": trial.state.planned,
            "block": period.block,
            "session": period.session,
            "condition": period.condition or None,
            "label": None if condition is None else condition.label,
            "recipe": None if condition is None else condition.recipe,
            "rest": period.rest,
            "rest_unit": period.rest_unit,
            "opened_before": again,
            "warnings": warnings,
        },
    )


def _what_then(trial: Trial) -> str:
    """Say what to type once the period was held."""
    folder = trial.folder.root
    typed = [o.name for o in trial.plan.outcomes if o.measure is None]
    ways = []
    if len(typed) < len(trial.plan.outcomes):
        ways.append(f"trialkit ingest {folder} FILE")
    primary = trial.plan.primary
    named = typed[0] if typed else (primary or trial.plan.outcomes[0]).name
    ways.append(f"trialkit record {folder} --outcome {named} --value X")
    return "  Then: " + "\n    or: ".join(ways)
