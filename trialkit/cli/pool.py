"""``trialkit pool``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.flags import LevelFlag, ReadFlag, TableArgument, WorthwhileFlag
from trialkit.cli.output import JsonFlag, emit


def command(
    table: TableArgument,
    athlete: Annotated[str, typer.Option("--athlete", help="Column of the athlete.")],
    outcome: Annotated[str, typer.Option("--outcome", help="Column of the measured values.")],
    condition: Annotated[str, typer.Option("--condition", help="Column of the condition.")],
    reference: Annotated[str, typer.Option("--reference", help="The reference condition.")],
    block: Annotated[str, typer.Option("--block", help="Column of the block (pair).")],
    level: LevelFlag = 0.95,
    page: Annotated[
        Path | None, typer.Option("--page", metavar="FILE", help="Write the page of the series.")
    ] = None,
    unit: Annotated[str, typer.Option("--unit", help="Unit of the values, for the page.")] = "",
    worthwhile: WorthwhileFlag = None,
    better: Annotated[
        str, typer.Option("--better", help="higher or lower, for the words of the page.")
    ] = "",
    invented: Annotated[
        bool, typer.Option("--invented", help="Mark the page as made from invented data.")
    ] = False,
    read: ReadFlag = None,
    as_json: JsonFlag = False,
) -> None:
    """Pool a series: mean effect, spread of individual effects, shrunken estimates.

    Example: trialkit pool squad.csv --athlete name --outcome watts --condition warmup
    --reference none --block pair --page squad.html --unit W
    """
    from trialkit.app.pooling import SeriesColumns, SeriesPage, pool_table

    columns = SeriesColumns(athlete, outcome, condition, block)
    wanted = None if page is None else SeriesPage(page, unit, worthwhile, better, invented)
    said = tuple(read or ())
    result = pool_table(table, columns, reference=reference, level=level, page=wanted, read=said)
    emit(result.text, result.document, as_json=as_json)
