"""``trialkit pool``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.output import JsonFlag, emit
from trialkit.cli.who import TableArgument


def command(
    table: TableArgument,
    athlete: Annotated[str, typer.Option("--athlete", help="Column of the athlete.")],
    outcome: Annotated[str, typer.Option("--outcome", help="Column of the measured values.")],
    condition: Annotated[str, typer.Option("--condition", help="Column of the condition.")],
    reference: Annotated[str, typer.Option("--reference", help="The reference condition.")],
    block: Annotated[str, typer.Option("--block", help="Column of the block (pair).")],
    level: Annotated[float, typer.Option("--level", help="Confidence level.")] = 0.95,
    as_json: JsonFlag = False,
) -> None:
    """Pool a series: mean effect, spread of individual effects, shrunken estimates.

    Example: trialkit pool squad.csv --athlete name --outcome watts --condition warmup
    --reference none --block pair
    """
    from trialkit.app.pooling import SeriesColumns, pool_table

    columns = SeriesColumns(athlete, outcome, condition, block)
    result = pool_table(table, columns, reference=reference, level=level)
    emit(result.text, result.document, as_json=as_json)
