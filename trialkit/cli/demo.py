"""``trialkit demo``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.output import JsonFlag, emit, say


def command(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="An empty or new folder.")] = Path(
        "trialkit-demo"
    ),
    force: Annotated[
        bool, typer.Option("--force", help="Replace an earlier demo in that folder.")
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Run a complete invented trial: protocol, draw, sixteen recordings, analysis, page.

    Everything in it is made up. No browser is opened and nothing leaves the machine.

    Example: trialkit demo my-demo
    """
    from trialkit.app.demo import run_demo

    result = run_demo(folder, force=force, tell=say)
    emit(result.text, result.document, as_json=as_json)
