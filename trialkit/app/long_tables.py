"""Long tables for `estimate`, `reliability`, `pool`: read, checked, and what was left out told."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.read_settings import parse_settings, read_options
from trialkit.errors import Problem, RequestError

if TYPE_CHECKING:
    from pandas import DataFrame


def read_long_table(
    path: Path,
    *,
    value: str,
    labels: Sequence[str],
    numbers: Sequence[str] = (),
    read: Sequence[str] = (),
) -> tuple[DataFrame, list[str]]:
    """Read the rows that have a value, and say how many had none.

    Parameters
    ----------
    value, labels, numbers
        Column of the values, columns of labels, further columns of numbers.
    read
        What the person says about the file, as ``KEY=VALUE`` texts.

    Raises
    ------
    UnreadableError
        When the table cannot be read.
    RequestError
        When a column is missing or named twice, or a row with a value lacks a label.
    """
    from trialkit.ingest.tables import read_table

    _refuse_twice([value, *labels, *numbers])
    options = read_options(parse_settings(read), time_zone="UTC")
    frame = read_table(path, numbers=(value, *numbers), labels=labels, options=options)
    notes = list(frame.attrs.get("notes", ()))
    valued = frame[frame[value].notna()]
    problems = list(_blank_labels(path, valued, labels))
    if problems:
        raise RequestError(problems)
    if left := len(frame) - len(valued):
        rows = "row has" if left == 1 else "rows have"
        notes.append(f"{left} {rows} no {value}; {len(valued)} were used.")
    return valued, notes


def _refuse_twice(columns: Sequence[str]) -> None:
    twice = sorted({c for c in columns if list(columns).count(c) > 1})
    if twice:
        raise RequestError(
            Problem(
                where="columns",
                found=", ".join(map(repr, twice)) + " named twice",
                wrong="one column cannot hold two different things.",
                fix="name another column for one of them.",
            )
        )


def _blank_labels(path: Path, frame: DataFrame, labels: Sequence[str]) -> Iterator[Problem]:
    for column in labels:
        for line in frame.index[frame[column] == ""]:
            yield Problem(
                where=f"{path.name}, column {column!r}",
                found="an empty cell beside a value",
                wrong="it is not clear where this value belongs.",
                fix="fill it in, or remove the row.",
                line=int(line),
            )
