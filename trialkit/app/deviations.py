"""Departures from the plan: which may be told of which period, and what they do to the answer."""

from __future__ import annotations

from collections.abc import Iterator
from math import log
from statistics import median
from typing import TYPE_CHECKING

from trialkit.app.trials import Trial, period_or_current
from trialkit.design.deviations import effect_of_deviation
from trialkit.domain.outcomes import Outcome, Scale
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import AnalysisOpened, Delivered, Departure, Deviation, Look, Phase

if TYPE_CHECKING:
    from trialkit.app.recording import RecordRequest

_BEFORE_OPENING = (Departure.MISSED, Departure.MOVED)
_FAR_IN_NOISE = 6.0
_FAR_IN_LOGS = log(1.5)


def deviation_draft(trial: Trial, request: RecordRequest, *, reason: str) -> Draft:
    """Draft a departure from the plan for the period it is about.

    Raises
    ------
    RequestError
        When there is no such departure, the period cannot have it, or it contradicts what was
        entered before.
    """
    if request.deviation not in set(Departure):
        raise _refusal(
            "--deviation",
            repr(request.deviation),
            "there is no such deviation.",
            "use one of " + ", ".join(Departure) + ".",
        )
    what = Departure(request.deviation)
    number = _number(trial, request, what)
    _check_against_earlier(trial, request, what, number)
    moved_to = request.moved_to or None
    payload = {"period": number, "what": what, "reason": reason, "moved_to": moved_to}
    return Draft(Kind.DEVIATION, payload)


def consequences(trial: Trial, request: RecordRequest, drafts: list[Draft]) -> Iterator[str]:
    """Say what an entry does to the reference set, the analysis and the promises made."""
    for draft in drafts:
        if draft.kind == Kind.DEVIATION:
            what, period = draft.payload["what"], draft.payload["period"]
            yield effect_of_deviation(trial.plan, str(what), period)
        if draft.kind == Kind.RESULT:
            yield from _doubts(trial, draft)
    shown = bool(trial.state.of(AnalysisOpened) or trial.state.of(Look))
    if shown and request.exclude:
        yield "the data had been opened before: the exclusion is marked as late on the page."
    if shown and request.amend:
        yield "the data had been opened before: the page says that the plan was changed after it."


def _number(trial: Trial, request: RecordRequest, what: Departure) -> int:
    if what not in _BEFORE_OPENING:
        return period_or_current(trial, request.period)
    number = request.period or trial.current or trial.state.next_period
    if number is None or not 1 <= number <= trial.state.planned:
        raise _refusal(
            "--period",
            "no period left" if number is None else str(number),
            f"the trial has periods 1 to {trial.state.planned}.",
            "name the period that departed from the plan.",
        )
    return number


def _check_against_earlier(
    trial: Trial, request: RecordRequest, what: Departure, number: int
) -> None:
    earlier = {t.record.what for t in trial.state.of(Deviation) if t.record.period == number}
    valued = {n for phase, n, _ in trial.state.values if phase is Phase.TRIAL}
    if what is Departure.MISSED and (number in valued or earlier - {Departure.MOVED}):
        raise _refusal(
            f"period {number}",
            "a result" if number in valued else ", ".join(sorted(earlier)),
            "a period that was held was not missed.",
            "exclude it with a reason, or withdraw the wrong entry first.",
        )
    if what is not Departure.MISSED and Departure.MISSED in earlier:
        raise _refusal(
            f"period {number}",
            "missed",
            f"a missed period cannot also be {what}.",
            "withdraw the wrong entry first (trialkit verify --entries lists them).",
        )
    given = any(t.record.period == number for t in trial.state.of(Delivered))
    if what is Departure.SWAPPED and not (given or request.delivered):
        raise _refusal(
            "--delivered",
            "no condition",
            "a swap needs to say what was given instead.",
            "name it with --delivered.",
        )


def _doubts(trial: Trial, draft: Draft) -> Iterator[str]:
    """Ask about a value far from the earlier ones, and about more practice than was planned."""
    phase, number = draft.payload["phase"], draft.payload["period"]
    planned = {
        Phase.FAMILIARISATION: trial.plan.design.familiarisation,
        Phase.BASELINE: trial.plan.design.baseline,
    }.get(phase)
    if planned is not None and number > planned:
        yield f"the protocol plans {planned} {phase} periods; this is number {number}."
    outcome = next(o for o in trial.plan.outcomes if o.name == draft.payload["outcome"])
    value = float(draft.payload["value"])
    earlier = [
        t.record.value
        for (_, _, name), t in trial.state.values.items()
        if name == outcome.name and t.record.value is not None
    ]
    if len(earlier) >= 2 and _is_far(outcome, value, median(earlier)):
        yield (
            f"{value:g} {outcome.unit} is far from the earlier values (middle {median(earlier):g}):"
            " check it, and correct it if it is wrong."
        )


def _is_far(outcome: Outcome, value: float, usual: float) -> bool:
    noise = outcome.analysis_noise
    if outcome.scale is Scale.LOG:
        apart = abs(log(value / usual))
        return apart > max(_FAR_IN_LOGS, _FAR_IN_NOISE * (noise or 0.0))
    if noise is not None:
        return abs(value - usual) > _FAR_IN_NOISE * max(noise, 1e-12) * 2
    return usual > 0 and (value <= 0 or abs(log(value / usual)) > 2 * _FAR_IN_LOGS)


def _refusal(where: str, found: str, wrong: str, fix: str) -> RequestError:
    return RequestError(Problem(where=where, found=found, wrong=wrong, fix=fix))
