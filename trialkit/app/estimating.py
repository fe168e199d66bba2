"""The analysis of a trial on a plain long table, no trial folder needed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log1p
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.app.answers import Answer
from trialkit.app.documents import estimate_document
from trialkit.app.long_tables import read_long_table
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Better, Scale
from trialkit.errors import Problem, RequestError

if TYPE_CHECKING:
    from pandas import DataFrame

    from trialkit.domain.estimates import Estimate
    from trialkit.report.content import OutcomeResult


@dataclass(frozen=True, slots=True)
class TableColumns:
    """Which columns of the table hold what."""

    outcome: str
    condition: str
    block: str
    period: str | None = None
    trend: str | None = None


@dataclass(frozen=True, slots=True)
class TableQuestion:
    """What is asked of the table. With ``scale`` log, noise and margin are in percent."""

    reference: str
    method: str = "auto"
    typical_error: float | None = None
    typical_error_df: float | None = None
    worthwhile: float | None = None
    better: str = "higher"
    scale: str = "raw"
    level: float = 0.95
    read: tuple[str, ...] = ()


def estimate_table(path: Path, columns: TableColumns, question: TableQuestion) -> Answer:
    """Read a long table and estimate the differences between its conditions.

    Raises
    ------
    UnreadableError
        When the table cannot be read.
    RequestError
        When a column is missing or the request does not fit the table.
    UnanswerableError
        When the data cannot answer the question.
    """
    from trialkit.report.terminal import summarise

    frame, notes = read_long_table(
        path,
        value=columns.outcome,
        labels=(columns.condition, columns.block),
        numbers=[c for c in (columns.period, columns.trend) if c],
        read=question.read,
    )
    found = _estimate(frame, columns, question)
    found = replace(found, notes=(*notes, *found.notes))
    return Answer(summarise(_result(found, question)), estimate_document(found))


def estimate_frame(
    frame: DataFrame, columns: TableColumns, question: TableQuestion
) -> OutcomeResult:
    """Estimate the differences between the conditions of a long data frame.

    Raises
    ------
    RequestError
        When the request does not fit the table.
    UnanswerableError
        When the data cannot answer the question.
    """
    return _result(_estimate(frame, columns, question), question)


def _estimate(frame: DataFrame, columns: TableColumns, question: TableQuestion) -> Estimate:
    from trialkit.statistics.estimate import EstimateOptions, estimate

    options = EstimateOptions(
        method=question.method,
        level=question.level,
        better=direction(question.better),
        margin=_on_scale(question.worthwhile, question.scale),
        planned_noise=_on_scale(question.typical_error, question.scale),
        planned_df=question.typical_error_df,
        scale=question.scale,
        period_effect=columns.period is not None,
        # For the serial model the trend column is the axis of time, not a covariate.
        trend=columns.trend is not None and question.method != "serial",
    )
    return estimate(table_observations(frame, columns, question), options=options)


def _result(found: Estimate, question: TableQuestion) -> OutcomeResult:
    from trialkit.report.terminal import plain_result

    return plain_result(found, direction(question.better), worthwhile=question.worthwhile)


def table_observations(
    frame: DataFrame, columns: TableColumns, question: TableQuestion
) -> Observations:
    """Turn the table into observations; rows without a value are missing periods."""
    frame = frame[frame[columns.outcome].notna()]
    value = frame[columns.outcome].to_numpy(dtype=float)
    if question.scale == Scale.LOG:
        value = logs(value, where=columns.outcome)
    return Observations(
        value=value,
        condition=frame[columns.condition].to_numpy(dtype=np.str_),
        block=frame[columns.block].to_numpy(dtype=np.str_),
        reference=question.reference,
        position=_numbers(frame, columns.period),
        time=_numbers(frame, columns.trend),
        name=columns.outcome,
    )


def logs(value: NDArray[np.float64], *, where: str) -> NDArray[np.float64]:
    """Natural logs of positive values.

    Raises
    ------
    RequestError
        When a value is zero or below.
    """
    if np.any(value <= 0):
        raise RequestError(
            Problem(
                where=where,
                found=f"{int(np.sum(value <= 0))} values of zero or below",
                wrong="a log scale needs values above zero.",
                fix="use the raw scale.",
            )
        )
    taken: NDArray[np.float64] = np.log(value)
    return taken


def _numbers(frame: DataFrame, column: str | None) -> NDArray[np.float64] | None:
    return None if column is None else frame[column].to_numpy(dtype=float)


def _on_scale(value: float | None, scale: str) -> float | None:
    return log1p(value / 100) if value is not None and scale == Scale.LOG else value


def direction(word: str) -> Better:
    """Which direction is better, from the word for it.

    Raises
    ------
    RequestError
        When the word is neither higher nor lower.
    """
    if word not in set(Better):
        raise RequestError(
            Problem(
                where="--better",
                found=repr(word),
                wrong="a direction is needed.",
                fix="use higher or lower.",
            )
        )
    return Better(word)
