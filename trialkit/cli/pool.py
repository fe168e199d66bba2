"""``trialkit pool``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.flags import LevelFlag, ReadFlag, WorthwhileFlag
from trialkit.cli.output import JsonFlag, emit


def command(
    sources: Annotated[
        list[Path],
        typer.Argument(metavar="TABLE...", help="One long table, or folders of finished trials."),
    ],
    athlete: Annotated[str, typer.Option("--athlete", help="Column of the athlete.")] = "",
    outcome: Annotated[str, typer.Option("--outcome", help="Column of the measured values.")] = "",
    condition: Annotated[str, typer.Option("--condition", help="Column of the condition.")] = "",
    reference: Annotated[str, typer.Option("--reference", help="The reference condition.")] = "",
    block: Annotated[str, typer.Option("--block", help="Column of the block (pair).")] = "",
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

    Several folders of finished trials on one protocol are pooled by their primary outcome; the
    column flags are for a table.

    Example: trialkit pool squad.csv --athlete name --outcome watts --condition warmup
    --reference none --block pair --page squad.html --unit W
    """
    if all(source.is_dir() for source in sources):
        from trialkit.app.pooling_folders import pool_folders

        found = pool_folders(tuple(sources), level=level)
        emit(found.text, found.document, as_json=as_json)
        return
    from trialkit.app.pooling import SeriesColumns, SeriesPage, pool_table

    named = {"--athlete": athlete, "--outcome": outcome, "--condition": condition}
    named |= {"--reference": reference, "--block": block}
    missing = [flag for flag, column in named.items() if not column]
    if missing or len(sources) > 1:
        told = ", ".join(missing) + " missing" if missing else f"{len(sources)} files"
        raise typer.BadParameter(f"{told}: pool one table with all its columns, or only folders.")
    columns = SeriesColumns(athlete, outcome, condition, block)
    wanted = None if page is None else SeriesPage(page, unit, worthwhile, better, invented)
    said = tuple(read or ())
    result = pool_table(
        sources[0], columns, reference=reference, level=level, page=wanted, read=said
    )
    emit(result.text, result.document, as_json=as_json)
