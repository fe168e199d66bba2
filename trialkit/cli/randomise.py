"""``trialkit randomise``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument, WhoFlag, name, now
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    seed: Annotated[
        int | None,
        typer.Option("--seed", min=0, help="Draw from this seed; system entropy when left out."),
    ] = None,
    keyholder: Annotated[
        Path | None,
        typer.Option(
            "--keyholder",
            metavar="FILE",
            help="Write the keys to this new file for a second person and keep none here.",
        ),
    ] = None,
    accept_threats: Annotated[
        bool,
        typer.Option("--accept-threats", help="Draw although a threat leaves no answer; recorded."),
    ] = False,
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Freeze the protocol, draw the order and the rests from one seed, and seal them.

    The commitment shown can be written down or sent away; `trialkit verify` proves later that
    nothing changed.

    Example: trialkit randomise my-trial
    """
    import secrets

    from trialkit.app.randomise import DrawRequest, randomise

    request = DrawRequest(
        seed=seed,
        entropy=secrets.token_bytes,
        keyholder=keyholder,
        accept_threats=accept_threats,
    )
    result = randomise(folder, request, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
