"""``trialkit record``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument, PhaseFlag, WhoFlag, name, now
from trialkit.cli.output import JsonFlag, ask_allowed, emit


def command(
    folder: DirArgument,
    period: Annotated[
        int | None, typer.Option("--period", min=1, help="Period number; else the opened one.")
    ] = None,
    phase: PhaseFlag = "trial",
    outcome: Annotated[str, typer.Option("--outcome", help="Outcome of --value.")] = "",
    value: Annotated[str, typer.Option("--value", help="The result; 34.2 or 34,2.")] = "",
    unit: Annotated[str, typer.Option("--unit", help="Its unit; the protocol's if left out.")] = "",
    table: Annotated[
        Path | None,
        typer.Option(
            "--table", metavar="FILE", help="Results: columns period, outcome, value, unit."
        ),
    ] = None,
    deviation: Annotated[
        str, typer.Option("--deviation", help="missed, moved, aborted or swapped.")
    ] = "",
    moved_to: Annotated[
        str, typer.Option("--moved-to", metavar="YYYY-MM-DD", help="New day of a moved period.")
    ] = "",
    delivered: Annotated[
        str, typer.Option("--delivered", help="Condition that was really delivered.")
    ] = "",
    fidelity: Annotated[
        str, typer.Option("--fidelity", help="How far it went by its recipe: full, partial, none.")
    ] = "full",
    expectation: Annotated[
        str, typer.Option("--expectation", help="Condition expected to do better, asked before.")
    ] = "",
    guess: Annotated[
        str, typer.Option("--guess", help="Condition the athlete guesses, asked after.")
    ] = "",
    person: Annotated[
        str, typer.Option("--person", help="Who expects or guesses: athlete, tester, analyst.")
    ] = "athlete",
    harm: Annotated[str, typer.Option("--harm", help="A symptom or injury, in words.")] = "",
    grade: Annotated[
        str, typer.Option("--grade", help="How bad the harm was: mild, moderate or severe.")
    ] = "mild",
    covariate: Annotated[
        list[str] | None,
        typer.Option("--covariate", metavar="NAME=VALUE", help="Such as sleep_h=7.5; repeatable."),
    ] = None,
    exclude: Annotated[
        bool, typer.Option("--exclude", help="Exclude the period; late once data were opened.")
    ] = False,
    note: Annotated[str, typer.Option("--note", help="A note.")] = "",
    correct: Annotated[
        int | None,
        typer.Option("--correct", metavar="ENTRY", help="Correct this entry with --value."),
    ] = None,
    withdraw: Annotated[
        int | None,
        typer.Option("--withdraw", metavar="ENTRY", help="Take a wrong entry out of force."),
    ] = None,
    held: Annotated[
        str, typer.Option("--held", metavar="WHEN", help='When it was held: "2026-03-08 17:10".')
    ] = "",
    amend: Annotated[
        bool, typer.Option("--amend", help="Take the edited protocol.toml as a new version.")
    ] = False,
    reason: Annotated[
        str, typer.Option("--reason", help="Why; needed by what changes a plan.")
    ] = "",
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Enter results, deviations, notes and corrections; nothing entered is ever overwritten.

    Without flags, at a terminal, it asks for each typed outcome of the opened period.

    Example: trialkit record my-trial --outcome time --value 61,4 --unit s
    """
    from trialkit.app.recording import RecordRequest, record

    request = RecordRequest(
        period=period,
        phase=phase,
        outcome=outcome,
        value=value,
        unit=unit,
        table=table,
        deviation=deviation,
        moved_to=moved_to,
        delivered=delivered,
        fidelity=fidelity,
        expectation=expectation,
        guess=guess,
        person=person,
        harm=harm,
        grade=grade,
        covariates=tuple(covariate or ()),
        exclude=exclude,
        note=note,
        correct=correct,
        withdraw=withdraw,
        held=held,
        amend=amend,
        reason=reason,
    )
    ask = _ask if ask_allowed() and not as_json else None
    result = record(folder, request, ask=ask, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)


def _ask(question: str) -> str:
    return str(typer.prompt(question, default="", show_default=False, err=True))
