"""``trialkit calendar``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument, WhoFlag, name, now
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    start: Annotated[
        str, typer.Option("--start", metavar="YYYY-MM-DD", help="First day; else the protocol's.")
    ] = "",
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Date the periods under the protocol's rules; write calendar.ics and session-cards.html.

    No condition is named that has not been opened. After a missed or moved period, run it again
    with a new --start to date what remains.

    Example: trialkit calendar my-trial --start 2026-03-02
    """
    from trialkit.app.dating import date_trial

    result = date_trial(folder, start=start, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
