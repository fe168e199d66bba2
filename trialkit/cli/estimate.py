"""``trialkit estimate``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.flags import (
    BetterFlag,
    LevelFlag,
    ReadFlag,
    TableArgument,
    TypicalErrorDfFlag,
    TypicalErrorFlag,
    WorthwhileFlag,
)
from trialkit.cli.output import JsonFlag, emit


def command(
    table: TableArgument,
    outcome: Annotated[str, typer.Option("--outcome", help="Column of the measured values.")],
    condition: Annotated[str, typer.Option("--condition", help="Column of the condition.")],
    reference: Annotated[str, typer.Option("--reference", help="The reference condition.")],
    block: Annotated[str, typer.Option("--block", help="Column of the block (pair).")],
    period: Annotated[
        str | None,
        typer.Option("--period", help="Column of the place in the block, to adjust for."),
    ] = None,
    trend: Annotated[
        str | None,
        typer.Option("--trend", help="Column of time: a linear trend; the time axis of `serial`."),
    ] = None,
    method: Annotated[
        str,
        typer.Option(
            "--method", help="auto, paired, mixed, serial, randomisation or bayes.", metavar="M"
        ),
    ] = "auto",
    typical_error: TypicalErrorFlag = None,
    typical_error_df: TypicalErrorDfFlag = None,
    worthwhile: WorthwhileFlag = None,
    better: BetterFlag = "higher",
    scale: Annotated[
        str, typer.Option("--scale", help="raw, or log: noise, margin and effects in percent.")
    ] = "raw",
    level: LevelFlag = 0.95,
    read: ReadFlag = None,
    as_json: JsonFlag = False,
) -> None:
    """Estimate the difference between conditions from a plain long table, one row per period.

    Example: trialkit estimate efforts.csv --outcome watts --condition warmup --reference none
    --block pair --worthwhile 5
    """
    from trialkit.app.estimating import TableColumns, TableQuestion, estimate_table

    columns = TableColumns(outcome, condition, block, period=period, trend=trend)
    question = TableQuestion(
        reference=reference,
        method=method,
        typical_error=typical_error,
        typical_error_df=typical_error_df,
        worthwhile=worthwhile,
        better=better,
        scale=scale,
        level=level,
        read=tuple(read or ()),
    )
    result = estimate_table(table, columns, question)
    emit(result.text, result.document, as_json=as_json)
