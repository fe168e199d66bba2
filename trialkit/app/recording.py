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
from trialkit.app.deviations import consequences, deviation_draft
from trialkit.app.entry_words import entry_lines
from trialkit.app.results import correction_draft, held_draft, result_draft, table_drafts
from trialkit.app.trials import Trial, departs_warning, open_trial, period_or_current
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import AnalysisOpened, Phase

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
    withdraw: int | None = None
    held: str = ""
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
    notes = [*departs_warning(trial), *consequences(trial, request, drafts)]
    lines += [f"  note: {text}" for text in notes]
    return Answer(
        "\n".join(lines),
        {
            "entries": [
                {"number": e.number, "kind": str(e.kind), "payload": dict(e.payload)}
                for e in entries
            ],
            "notes": notes,
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
        reason = _reason(request, "--deviation")
        yield deviation_draft(trial, request, reason=reason)
    yield from _about_period(trial, request)
    if request.withdraw is not None:
        reason = _reason(request, "--withdraw")
        yield Draft(Kind.WITHDRAWAL, {}, corrects=request.withdraw, reason=reason)
    if request.note:
        about = request.period or trial.last_opened
        yield Draft(Kind.NOTE, {"text": request.note, "period": about})


def _about_period(trial: Trial, request: RecordRequest) -> Iterator[Draft]:
    """Yield entries about how a period went, apart from its results."""
    if request.delivered:
        condition = _condition(trial.plan, "--delivered", request.delivered)
        how = {"fidelity": request.fidelity, "detail": request.reason.strip() or None}
        period = period_or_current(trial, request.period)
        yield Draft(Kind.DELIVERED, {"period": period, **condition, **how})
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
        where = {"period": request.period or trial.last_opened, "phase": request.phase}
        yield Draft(Kind.HARM, {"what": request.harm, "grade": request.grade, **where})
    if request.held:
        period = _period(trial, request)
        yield held_draft(trial.plan, (Phase(request.phase), period), request.held)
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
                found=f"{request.phase!r} without --period"
                if request.phase in set(Phase)
                else repr(request.phase),
                wrong="a phase other than the trial needs its name and a number.",
                fix="use --phase familiarisation or baseline, with --period N.",
            )
        )
    return request.period


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
    """Ask for every outcome of the period that has no value yet, those typed by hand first."""
    period = period_or_current(trial, request.period)
    known = {name for phase, n, name in trial.state.values if (phase, n) == (Phase.TRIAL, period)}
    drafts = []
    for outcome in sorted(trial.plan.outcomes, key=lambda o: o.measure is not None):
        if outcome.name in known:
            continue
        source = "" if outcome.measure is None else ", usually from a recording"
        value = ask(f"Period {period}, {outcome.label} [{outcome.unit}{source}] (empty: none)")
        if value.strip():
            drafts.append(result_draft(trial.plan, (Phase.TRIAL, period, outcome.name), value, ""))
    return drafts
