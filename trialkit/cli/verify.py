"""``trialkit verify``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    entries: Annotated[
        bool, typer.Option("--entries", help="List every entry of the journal with its number.")
    ] = False,
    restore: Annotated[
        bool,
        typer.Option("--restore", help="Put the frozen protocol.toml back; an edited one is kept."),
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Replay the journal: chain, seal, protocol, draw and recordings; name the first fault.

    Exit status: 0 all in order, 2 something was changed or is missing.

    Example: trialkit verify my-trial
    """
    from trialkit.app.verifying import restore_protocol, verify

    if restore:
        restore_protocol(folder)
    result = verify(folder, list_entries=entries)
    emit(result.text, result.document, as_json=as_json)
    if result.exit_status:
        raise typer.Exit(result.exit_status)
