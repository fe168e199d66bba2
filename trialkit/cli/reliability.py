"""``trialkit reliability``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.flags import ReadFlag, TableArgument, decimal
from trialkit.cli.output import JsonFlag, emit


def command(
    table: TableArgument,
    value: Annotated[str, typer.Option("--value", help="Column of the measured values.")],
    subject: Annotated[str, typer.Option("--subject", help="Column of the athlete.")],
    trial: Annotated[str, typer.Option("--trial", help="Column of the repeat (1, 2, ...).")],
    level: Annotated[
        float, typer.Option("--level", parser=decimal, help="Confidence level.")
    ] = 0.95,
    figure: Annotated[
        Path | None,
        typer.Option("--figure", metavar="FILE", help="Write the picture (svg, png, pdf)."),
    ] = None,
    read: ReadFlag = None,
    as_json: JsonFlag = False,
) -> None:
    """Typical error, CV, ICC, minimal detectable change, limits of agreement, change in mean.

    Example: trialkit reliability repeats.csv --value watts --subject athlete --trial day
    """
    from trialkit.app.reliability import RepeatColumns, reliability_table

    columns = RepeatColumns(value, subject, trial)
    result = reliability_table(table, columns, level=level, read=tuple(read or ()), figure=figure)
    emit(result.text, result.document, as_json=as_json)
