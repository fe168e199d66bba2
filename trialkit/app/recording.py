"""Enter what happened: results, deviations, notes, corrections, amendments. Nothing is overwritten.

One request may hold several things; they are entered together or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from trialkit.app.amending import amendment_draft
from trialkit.app.answers import Answer
from trialkit.app.results import correction_draft, result_draft, table_drafts
from trialkit.app.trials import Trial, entry_lines, open_trial, period_or_current
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import AnalysisOpened, Departure, Phase

Ask = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class RecordRequest:
    """What is to be entered; empty fields enter nothing."""

    period: int | None = None
    phase: str = "trial"
    outcome: str = ""
    value: str = ""
    unit: str = ""
    table: Path | None = None
    deviation: str = ""
    moved_to: str = ""
    delivered: str = ""
    fidelity: str = "full"
    expectation: str = ""
    guess: str = ""
    person: str = "athlete"
    harm: str = ""
    grade: str = "mild"
    covariates: tuple[str, ...] = ()
    exclude: bool = False
    note: str = ""
    correct: int | None = None
    amend: bool = False
    reason: str = ""


def record(
    root: Path, request: RecordRequest, *, ask: Ask | None = None, at: datetime, who: str
) -> Answer:
    """Enter everything a request holds, or, when it holds nothing, ask for the typed outcomes.

    Raises
    ------
    RequestError
        When the request holds nothing and nobody can be asked, or something in it does not fit.
    JournalError
        When the journal refuses an entry.
    """
    trial = open_trial(root)
    drafts = list(_drafts(trial, request))
    if not drafts and ask is not None:
        drafts = _asked(trial, request, ask)
    if not drafts:
        raise RequestError(
            Problem(
                where="record",
                found="nothing to enter",
                wrong="the request holds no result, deviation, note or correction.",
                fix="give flags such as --outcome and --value (see trialkit record --help).",
            )
        )
    entries = trial.add(drafts, at=at, who=who)
    lines = [f"Entered in {trial.folder.journal}:", *(f"  {x}" for x in entry_lines(entries))]
    lines += [f"  note: {text}" for text in _consequences(trial, request)]
    return Answer(
        "\n".join(lines),
        {
            "entries": [
                {"number": e.number, "kind": str(e.kind), "payload": dict(e.payload)}
                for e in entries
            ]
        },
    )


def _drafts(trial: Trial, request: RecordRequest) -> Iterator[Draft]:
    if request.amend:
        yield amendment_draft(trial, reason=_reason(request, "--amend"))
    if request.correct is not None:
        reason = _reason(request, "--correct")
        yield correction_draft(trial, request.correct, request.value, reason=reason)
    elif request.value or request.outcome:
        period = _period(trial, request)
        phase = Phase(request.phase)
        yield result_draft(
            trial.plan, (phase, period, request.outcome), request.value, request.unit
        )
    if request.table is not None:
        yield from table_drafts(trial, request.table)
    if request.deviation:
        yield _deviation_draft(trial, request)
    yield from _about_period(trial, request)
    if request.note:
        yield Draft(Kind.NOTE, {"text": request.note, "period": request.period})


def _about_period(trial: Trial, request: RecordRequest) -> Iterator[Draft]:
    """Yield entries about how a period went, apart from its results."""
    if request.delivered:
        condition = _condition(trial.plan, "--delivered", request.delivered)
        about = {"fidelity": request.fidelity, "detail": request.reason.strip() or None}
        period = period_or_current(trial, request.period)
        yield Draft(Kind.DELIVERED, {"period": period, **condition, **about})
    if request.expectation:
        expects = _condition(trial.plan, "--expectation", request.expectation)["condition"]
        yield Draft(
            Kind.EXPECTATION,
            {"person": request.person, "expects": expects, "period": request.period},
        )
    if request.guess:
        guessed = _condition(trial.plan, "--guess", request.guess)
        period = period_or_current(trial, request.period)
        yield Draft(Kind.GUESS, {"person": request.person, "period": period, **guessed})
    if request.harm:
        about = {"period": request.period or trial.current, "phase": request.phase}
        yield Draft(Kind.HARM, {"what": request.harm, "grade": request.grade, **about})
    for pair in request.covariates:
        yield _covariate_draft(_period(trial, request), request.phase, pair)
    if request.exclude:
        late = any(
            t.record.periods is None or request.period in t.record.periods
            for t in trial.state.of(AnalysisOpened)
        )
        period = period_or_current(trial, request.period)
        reason = _reason(request, "--exclude")
        yield Draft(Kind.EXCLUSION, {"period": period, "reason": reason, "late": late})


def _period(trial: Trial, request: RecordRequest) -> int:
    if request.phase == Phase.TRIAL:
        return period_or_current(trial, request.period)
    if request.phase not in set(Phase) or request.period is None:
        raise RequestError(
            Problem(
                where="--phase",
                found=f"{request.phase!r} with period {request.period}",
                wrong="a phase other than the trial needs its name and a number.",
                fix="use --phase familiarisation or baseline, with --period N.",
            )
        )
    return request.period


def _deviation_draft(trial: Trial, request: RecordRequest) -> Draft:
    if request.deviation not in set(Departure):
        raise RequestError(
            Problem(
                where="--deviation",
                found=repr(request.deviation),
                wrong="there is no such deviation.",
                fix="use one of " + ", ".join(Departure) + ".",
            )
        )
    number = request.period or trial.current or trial.state.next_period
    if number is None or not 1 <= number <= trial.state.planned:
        raise RequestError(
            Problem(
                where="--period",
                found=str(number),
                wrong=f"the trial has periods 1 to {trial.state.planned}.",
                fix="name the period that departed from the plan.",
            )
        )
    return Draft(
        Kind.DEVIATION,
        {
            "period": number,
            "what": request.deviation,
            "reason": _reason(request, "--deviation"),
            "moved_to": request.moved_to or None,
        },
    )


def _covariate_draft(period: int, phase: str, pair: str) -> Draft:
    name, equals, value = (part.strip() for part in pair.partition("="))
    if not (name and equals and value):
        raise RequestError(
            Problem(
                where="--covariate",
                found=repr(pair),
                wrong="a name and a value are needed.",
                fix="write it like sleep_h=7.5.",
            )
        )
    try:
        told: float | str = float(value.replace(",", "."))
    except ValueError:
        told = value
    payload = {"period": period, "phase": phase, "name": name, "value": told}
    return Draft(Kind.COVARIATE, payload)


def _condition(plan: Plan, flag: str, name: str) -> dict[str, str | None]:
    if name in {"none", "unknown"}:
        return {"condition": None}
    if name not in plan.condition_names:
        raise RequestError(
            Problem(
                where=flag,
                found=repr(name),
                wrong="the protocol has no such condition.",
                fix="use one of " + ", ".join(plan.condition_names) + ", or unknown.",
            )
        )
    return {"condition": name}


def _reason(request: RecordRequest, flag: str) -> str:
    if not request.reason.strip():
        raise RequestError(
            Problem(
                where="--reason",
                found="no reason",
                wrong=f"{flag} changes what was planned or written.",
                fix="say why with --reason.",
            )
        )
    return request.reason


def _asked(trial: Trial, request: RecordRequest, ask: Ask) -> list[Draft]:
    period = period_or_current(trial, request.period)
    drafts = []
    for outcome in trial.plan.outcomes:
        if outcome.measure is not None:
            continue
        value = ask(f"Period {period}, {outcome.label} [{outcome.unit}] (empty: none)")
        if value.strip():
            drafts.append(result_draft(trial.plan, (Phase.TRIAL, period, outcome.name), value, ""))
    return drafts


def _consequences(trial: Trial, request: RecordRequest) -> Iterator[str]:
    """Say what a deviation does to the reference set and the analysis."""
    if request.deviation:
        from trialkit.design.deviations import effect_of_deviation

        number = request.period or trial.current or trial.state.next_period or 1
        yield effect_of_deviation(trial.plan, request.deviation, number)
    if request.exclude and any(trial.state.of(AnalysisOpened)):
        yield "the data had been opened before: the exclusion is marked as late on the page."
