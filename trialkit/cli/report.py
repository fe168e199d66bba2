"""``trialkit report``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument, InterimFlag, WhoFlag, name, now
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    pdf: Annotated[
        bool,
        typer.Option(
            "--pdf", help="Also print page and athlete sheet to PDF with a browser found here."
        ),
    ] = False,
    figures: Annotated[
        str,
        typer.Option(
            "--figures", metavar="FORMAT", help="Also write each picture as svg, png or pdf."
        ),
    ] = "",
    decimal_comma: Annotated[
        bool, typer.Option("--decimal-comma", help="Print 3,5 instead of 3.5 on the page.")
    ] = False,
    interim: InterimFlag = False,
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Write the page with its figures, the data, the JSON and the reporting checklist.

    Example: trialkit report my-trial --pdf --figures svg
    """
    from trialkit.app.reporting import ReportRequest, write_report

    request = ReportRequest(pdf=pdf, figures=figures, decimal_comma=decimal_comma, interim=interim)
    result = write_report(folder, request, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
