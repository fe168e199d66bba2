"""How repeatable a measurement is, from a long table of athletes and repeats."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.app.answers import Answer
from trialkit.app.documents import Document, ends
from trialkit.app.long_tables import read_long_table
from trialkit.errors import Problem, RequestError

if TYPE_CHECKING:
    from pandas import DataFrame

    from trialkit.statistics.intraclass import Measured
    from trialkit.statistics.reliability import Reliability


@dataclass(frozen=True, slots=True)
class RepeatColumns:
    """Which columns of the table hold what."""

    value: str
    subject: str
    trial: str


def reliability_table(
    path: Path,
    columns: RepeatColumns,
    *,
    level: float = 0.95,
    read: tuple[str, ...] = (),
    figure: Path | None = None,
) -> Answer:
    """Read a long table, one row per athlete and repeat, and say how repeatable the values are.

    With ``figure`` the picture is also written there, as its ending (svg, png, pdf) says.

    Raises
    ------
    UnreadableError
        When the table cannot be read.
    RequestError
        When a column is missing or a cell is given twice.
    UnanswerableError
        When there are too few athletes or repeats.
    """
    from trialkit.statistics.reliability import reliability

    if figure is not None:
        from trialkit.report.power_picture import refuse_other_formats

        refuse_other_formats(figure)
    labels = (columns.subject, columns.trial)
    frame, notes = read_long_table(path, value=columns.value, labels=labels, read=read)
    table = wide_table(frame, columns.value, *labels)
    found = reliability(table, level=level)
    result = replace(found, notes=(*notes, *found.notes))
    if figure is not None:
        from trialkit.report.reliability_picture import write_reliability_picture

        write_reliability_picture(result, table, figure)
    return Answer(_text(result), reliability_document(result))


def wide_table(frame: DataFrame, value: str, subject: str, trial: str) -> NDArray[np.float64]:
    """Table of subjects by trials, trials in their natural order, NaN where nothing was measured.

    Raises
    ------
    RequestError
        When one subject has two values for a trial.
    """
    twice = frame[frame.duplicated([subject, trial], keep=False)]
    if len(twice):
        raise RequestError(
            Problem(
                where=f"{subject} {row[subject]}, {trial} {row[trial]}",
                found="more than one value",
                wrong="each athlete has one value per repeat.",
                fix="number the repeats apart, or remove the double row.",
                line=int(str(line)),
            )
            for line, row in twice.iterrows()
        )
    wide = frame.pivot_table(index=subject, columns=trial, values=value, dropna=False, sort=False)
    ordered = wide[sorted(wide.columns, key=_natural)]
    table: NDArray[np.float64] = ordered.to_numpy(dtype=float)
    return table


def reliability_document(result: Reliability) -> Document:
    """Document of the contract."""
    agreement = result.limits_of_agreement
    return {
        "typical_error": result.typical_error,
        "df": result.df,
        "typical_error_ci": ends(result.typical_error_ci),
        "cv_percent": result.cv_percent,
        "cv_percent_ci": None if result.cv_percent_ci is None else ends(result.cv_percent_ci),
        "icc_2_1": _measured(result.icc_2_1),
        "icc_3_1": _measured(result.icc_3_1),
        "mdc95": result.mdc95,
        "change_in_mean": [
            {
                "from_trial": c.from_trial,
                "to_trial": c.to_trial,
                "n": c.n,
                "mean": c.mean,
                "ci": ends(c.ci),
                "percent": c.percent,
                "typical_error": c.typical_error,
                "typical_error_ci": ends(c.typical_error_ci),
            }
            for c in result.change_in_mean
        ],
        "limits_of_agreement": None
        if agreement is None
        else {
            "bias": agreement.bias,
            "bias_ci": ends(agreement.bias_ci),
            "sd": agreement.sd,
            "low": agreement.low,
            "low_ci": ends(agreement.low_ci),
            "high": agreement.high,
            "high_ci": ends(agreement.high_ci),
        },
        "log_recommended": None if result.spread is None else result.spread.log_recommended,
        "n_subjects": result.n_subjects,
        "n_trials": result.n_trials,
        "notes": list(result.notes),
    }


_WHICH_ICC = (
    "  ICC(2,1): would repeats give the same values, shifts between repeats counted as error? "
    "ICC(3,1): would they keep athletes in the same order, shifts left out?"
)


def _text(result: Reliability) -> str:
    from trialkit.statistics.printed import counted

    def line(name: str, value: float | None, ci: object, unit: str = "") -> str:
        if value is None:
            return f"{name:<34} –"
        low, high = ci if isinstance(ci, list) else (None, None)
        told = "" if low is None else f"   ({low:.3g} to {high:.3g})"
        return f"{name:<34} {value:.4g}{unit}{told}"

    d = reliability_document(result)
    icc_2, icc_3 = d["icc_2_1"] or {}, d["icc_3_1"] or {}
    lines = [
        f"{result.n_subjects} athletes, {result.n_trials} repeats",
        line("Typical error", result.typical_error, d["typical_error_ci"])
        + f", {counted(result.df, 'degree')} of freedom",
        line("  as coefficient of variation", result.cv_percent, d["cv_percent_ci"], " %"),
        line("Minimal detectable change (95 %)", result.mdc95, None),
        line("ICC(2,1), agreement", icc_2.get("value"), icc_2.get("ci")),
        line("ICC(3,1), consistency", icc_3.get("value"), icc_3.get("ci")),
    ]
    if result.icc is not None:
        lines.append(_WHICH_ICC)
    lines += [
        line(f"Change in mean, {c.from_trial} to {c.to_trial}", c.mean, ends(c.ci))
        for c in result.change_in_mean
    ]
    if agreement := result.limits_of_agreement:
        lines.append(
            f"{'Limits of agreement':<34} {agreement.low:.4g} to {agreement.high:.4g} "
            f"around {agreement.bias:.4g}"
        )
    return "\n".join([*lines, *(f"Note: {note}" for note in result.notes)])


def _measured(figure: Measured | None) -> Document | None:
    return None if figure is None else {"value": figure.value, "ci": ends(figure.ci)}


def _natural(label: str) -> list[tuple[int, int, str]]:
    """Order 2 before 10, whatever stands around the digits."""
    parts = re.split(r"(\d+)", label)
    return [(0, int(p), "") if p.isdigit() else (1, 0, p) for p in parts if p]
