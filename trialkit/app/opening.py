"""Open the next period, and only that one, and show its card."""

from __future__ import annotations

from base64 import b64decode
from datetime import datetime
from pathlib import Path

from trialkit.app.answers import Answer
from trialkit.app.trials import Trial, open_trial
from trialkit.domain.allocations import Period
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.journal import Draft, Kind
from trialkit.journal.seal import Seal
from trialkit.report.cards import card_text


def open_next(root: Path, *, code: str, at: datetime, who: str) -> Answer:
    """Open the next period's condition, or show the opened one again while it waits.

    Raises
    ------
    RequestError
        When a code is needed and missing.
    JournalError
        When the code or the seal does not fit.
    UnanswerableError
        When no period is left.
    """
    trial = open_trial(root)
    if trial.current is not None:
        return _card(trial, trial.current, again=True)
    number = trial.state.next_period
    if number is None:
        raise UnanswerableError(
            Problem(
                where=str(root),
                found=f"all {trial.state.planned} periods opened or missed",
                wrong="no period is left.",
                fix="run: trialkit analyse, then trialkit report.",
            )
        )
    period = _unsealed(trial, number, code)
    payload = {
        "period": number,
        "block": period.block,
        "position": period.position,
        "session": period.session,
        "condition": period.condition,
        "rest": period.rest,
        "rest_unit": period.rest_unit,
    }
    trial.add([Draft(Kind.PERIOD_OPENED, payload)], at=at, who=who)
    return _card(open_trial(root), number, again=False)


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


def _card(trial: Trial, number: int, *, again: bool) -> Answer:
    opened = trial.state.opened[number]
    period = Period(
        number=number,
        block=opened.block,
        position=opened.position,
        session=opened.session,
        condition=opened.condition or "",
        rest=opened.rest,
        rest_unit=opened.rest_unit,
    )
    first = "Period already open; it waits for its result.\n\n" if again else ""
    condition = next((c for c in trial.plan.conditions if c.name == opened.condition), None)
    return Answer(
        first + card_text(trial.plan, period),
        {
            "period": number,
            "of": trial.state.planned,
            "block": opened.block,
            "session": opened.session,
            "condition": opened.condition,
            "label": None if condition is None else condition.label,
            "recipe": None if condition is None else condition.recipe,
            "rest": opened.rest,
            "rest_unit": opened.rest_unit,
            "opened_before": again,
        },
    )
