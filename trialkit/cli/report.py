"""``trialkit report``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.output import JsonFlag, emit
from trialkit.cli.who import DirArgument, WhoFlag, name, now


def command(
    folder: DirArgument,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Also print the page to PDF with a browser found here.")
    ] = False,
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Write the page with its figures, the data, the JSON and the reporting checklist.

    Example: trialkit report my-trial --pdf
    """
    from trialkit.app.reporting import write_report

    result = write_report(folder, pdf=pdf, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
