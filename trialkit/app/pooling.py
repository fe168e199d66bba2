"""Pool a series of trials from one long table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.app.answers import Answer
from trialkit.app.documents import Document, ends
from trialkit.app.estimating import direction
from trialkit.app.folders import write_file
from trialkit.app.long_tables import read_long_table
from trialkit.app.versions import versions
from trialkit.errors import Problem, RequestError

if TYPE_CHECKING:
    from pandas import DataFrame

    from trialkit.statistics.series import SeriesResult


@dataclass(frozen=True, slots=True)
class SeriesColumns:
    """Which columns of the table hold what."""

    athlete: str
    outcome: str
    condition: str
    block: str


@dataclass(frozen=True, slots=True)
class SeriesPage:
    """Where to write the page of a series, and what the table does not say.

    ``better`` is ``higher``, ``lower`` or empty.
    """

    path: Path
    unit: str = ""
    worthwhile: float | None = None
    better: str = ""
    invented: bool = False


def pool_table(
    path: Path,
    columns: SeriesColumns,
    *,
    reference: str,
    level: float,
    page: SeriesPage | None = None,
    read: tuple[str, ...] = (),
) -> Answer:
    """Read a long table of several athletes and pool their trials.

    Raises
    ------
    UnreadableError
        When the table cannot be read.
    RequestError
        When a column is missing, or there are not exactly two conditions.
    UnanswerableError
        With fewer than two athletes that have a complete pair.
    """
    from trialkit.statistics.series import pool_series

    labels = (columns.athlete, columns.condition, columns.block)
    frame, notes = read_long_table(path, value=columns.outcome, labels=labels, read=read)
    differences, left_out = pair_differences(frame, columns, reference)
    result = pool_series(differences, level=level)
    notes += result.notes
    if left_out:
        notes.append(f"Incomplete pairs that were left out: {left_out}.")
    if alone := sorted(set(frame[columns.athlete]) - differences.keys()):
        notes.append(f"Athletes without a complete pair, left out: {', '.join(alone)}.")
    condition = next(c for c in sorted(set(frame[columns.condition])) if c != reference)
    text = f"{condition} minus {reference}, {columns.outcome}\n" + series_text(result, notes)
    document = series_document(result, notes)
    if page is not None:
        names = (columns.outcome, condition, reference)
        write_file(page.path, _page_bytes(result, names, page))
        text += f"\n\nThe page is {page.path}"
        document["page"] = str(page.path)
    return Answer(text, document)


def _page_bytes(result: SeriesResult, names: tuple[str, str, str], page: SeriesPage) -> bytes:
    from trialkit.report.series_content import SeriesQuestion
    from trialkit.report.series_page import render_series

    outcome, condition, reference = names
    question = SeriesQuestion(
        outcome=outcome,
        condition=condition,
        reference=reference,
        unit=page.unit,
        margin=page.worthwhile,
        better=direction(page.better) if page.better else None,
        invented=page.invented,
    )
    return render_series(result, question, versions=versions()).encode()


def pair_differences(
    frame: DataFrame, columns: SeriesColumns, reference: str
) -> tuple[dict[str, NDArray[np.float64]], int]:
    """Condition minus reference of every complete pair, by athlete; and how many are incomplete.

    Several values of one condition in a pair are averaged first.

    Raises
    ------
    RequestError
        When the table does not hold the reference and exactly one other condition.
    """
    present = sorted(set(frame[columns.condition]))
    if len(present) != 2 or reference not in present:
        raise RequestError(
            Problem(
                where=columns.condition,
                found=", ".join(present) or "no condition",
                wrong=f"a series is pooled over {reference!r} and one other condition.",
                fix="keep two conditions in the table and name one with --reference.",
            )
        )
    other = next(name for name in present if name != reference)
    means = (
        frame.groupby([columns.athlete, columns.block, columns.condition], sort=False)[
            columns.outcome
        ]
        .mean()
        .unstack()
    )
    difference = means[other] - means[reference]
    complete = difference.dropna()
    by_athlete = {
        str(athlete): values.to_numpy(dtype=float)
        for athlete, values in complete.groupby(level=0, sort=False)
    }
    return by_athlete, int(len(difference) - len(complete))


def series_document(result: SeriesResult, notes: list[str]) -> Document:
    """Document of the contract."""
    mean = result.mean
    return {
        "mean": {
            "estimate": mean.estimate,
            "se": mean.se,
            "df": mean.df,
            "ci": ends(mean.ci),
            "p": mean.p,
        },
        "sd_individual": {
            "value": result.sd_individual.value,
            "ci": ends(result.sd_individual.ci),
        },
        "individuals": [
            {
                "athlete": one.athlete,
                "raw": one.raw,
                "shrunken": one.shrunken,
                "se": one.se,
                "ci": ends(one.ci),
                "pairs": one.pairs,
            }
            for one in result.individuals
        ],
        "prediction_interval": ends(result.prediction_interval),
        "heterogeneity_p": result.heterogeneity_p,
        "typical_error": result.typical_error,
        "noise_df": result.noise_df,
        "noise_pooled": result.pooled,
        "notes": notes,
    }


def series_text(result: SeriesResult, notes: list[str]) -> str:
    """Tell a series for the terminal."""
    mean, spread, ahead = result.mean, result.sd_individual, result.prediction_interval
    width = max(len(one.athlete) for one in result.individuals)
    lines = [
        f"Mean effect {mean.estimate:+.3g} (95 % range {mean.ci.low:+.3g} to {mean.ci.high:+.3g}, "
        f"df {mean.df:.1f}, p {mean.p:.3g})",
        f"SD of individual effects {spread.value:.3g} "
        f"(95 % range {spread.ci.low:.3g} to {spread.ci.high:.3g})",
        f"Effect in the next athlete: {ahead.low:+.3g} to {ahead.high:+.3g}",
        "",
        f"{'athlete'.ljust(width)}  pairs     own  shrunken  range",
        *(
            f"{one.athlete.ljust(width)}  {one.pairs:>5}  {one.raw:>+6.3g}  {one.shrunken:>+8.3g}"
            f"  {one.ci.low:+.3g} to {one.ci.high:+.3g}"
            for one in result.individuals
        ),
    ]
    return "\n".join([*lines, *(f"Note: {note}" for note in notes)])
