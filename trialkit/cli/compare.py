"""``trialkit compare``."""

from __future__ import annotations

from typing import Annotated

import typer

from trialkit.cli.flags import BetterFlag, TypicalErrorDfFlag, WorthwhileFlag, decimal
from trialkit.cli.output import JsonFlag, emit


def command(
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="The value before.")],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The value after.")],
    typical_error: Annotated[
        float,
        typer.Option(
            "--typical-error", parser=decimal, help="Noise SD of one measurement, same unit."
        ),
    ],
    typical_error_df: TypicalErrorDfFlag = None,
    worthwhile: WorthwhileFlag = None,
    better: BetterFlag = "higher",
    as_json: JsonFlag = False,
) -> None:
    """Tell whether one change is larger than the noise of the measurement.

    One change cannot tell its cause: order, learning and the day are mixed up with it. Put `--`
    before a negative value.

    Example: trialkit compare 300 312 --typical-error 4.5 --typical-error-df 9 --worthwhile 3
    """
    from trialkit.app.comparing import ChangeQuestion, compare_values

    question = ChangeQuestion(
        typical_error=typical_error,
        df=typical_error_df,
        worthwhile=worthwhile,
        better=better,
    )
    result = compare_values(before, after, question)
    emit(result.text, result.document, as_json=as_json)
