"""``trialkit next``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument, WhoFlag, name, now
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    code: Annotated[
        str,
        typer.Option("--code", help="The keyholder's code for this period, where there is one."),
    ] = "",
    period: Annotated[
        int | None, typer.Option("--period", min=1, help="A missed period that is now made up.")
    ] = None,
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Open the next period's condition, and only that one, and show its card.

    While the opened period has no result and no deviation, the same card is shown again.

    Example: trialkit next my-trial
    """
    from trialkit.app.opening import open_next

    result = open_next(folder, code=code, period=period, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
