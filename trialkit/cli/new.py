"""``trialkit new``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    template: Annotated[
        str, typer.Option("--template", help="Name of a ready protocol; a wrong name lists them.")
    ] = "warm-up-separate-days",
    as_json: JsonFlag = False,
) -> None:
    """Start a trial folder from a ready protocol, to be edited before the order is drawn.

    Example: trialkit new my-trial --template warm-up-separate-days
    """
    from trialkit.app.new import new_trial

    result = new_trial(folder, template=template)
    emit(result.text, result.document, as_json=as_json)
