"""``trialkit verify``."""

from __future__ import annotations

import typer

from trialkit.cli.output import JsonFlag, emit
from trialkit.cli.who import DirArgument


def command(folder: DirArgument, as_json: JsonFlag = False) -> None:
    """Replay the journal: chain, seal, protocol, draw and recordings; name the first fault.

    Exit status: 0 all in order, 2 something was changed or is missing.

    Example: trialkit verify my-trial
    """
    from trialkit.app.verifying import verify

    result = verify(folder)
    emit(result.text, result.document, as_json=as_json)
    if result.exit_status:
        raise typer.Exit(result.exit_status)
