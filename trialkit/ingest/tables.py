"""Plain tables: CSV, TSV and XLSX through one door, exact, every doubtful cell reported."""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import Problem, RequestError, UnreadableError
from trialkit.ingest.cells import Marks, is_missing, to_number
from trialkit.ingest.dialect import Dialect, column_names, find_layout, propose_dialect
from trialkit.ingest.sources import ReadOptions, Source, open_source
from trialkit.ingest.stamps import clock_seconds
from trialkit.ingest.workbooks import workbook_rows

if TYPE_CHECKING:
    import pandas as pd

_DEFAULTS: Final = ReadOptions()
_TRAILING: Final = "\0trailing"


@dataclass(frozen=True, eq=False)
class TextTable:
    """A table whose cells are still texts: ``lines`` (k,) are row numbers in the file, from 1."""

    cells: pd.DataFrame
    lines: Sequence[int]
    units: tuple[str, ...]
    marks: Marks
    notes: tuple[str, ...]


def read_table(
    path: Path,
    *,
    numbers: Sequence[str] = (),
    labels: Sequence[str] = (),
    optional: Sequence[str] = (),
    options: ReadOptions = _DEFAULTS,
) -> pd.DataFrame:
    """Read the columns asked for from a CSV, TSV or XLSX table, one row per line of the file.

    Parameters
    ----------
    path
        The file.
    numbers
        Columns that must hold numbers; they come as float64, NaN where a cell is missing. Times
        such as 4:05.2 (minutes and seconds) or 1:04:05 come in seconds.
    labels
        Columns of labels; they come as text, empty where a cell is missing.
    optional
        Further columns of labels, taken where the table has a column of exactly this name.
    options
        What is known about the file beyond what it says itself.

    Returns
    -------
    pandas.DataFrame
        The columns asked for (all of them when none is named: numbers where every cell is one),
        indexed by the line of the file. ``attrs`` holds ``units`` by column and ``notes``.

    Raises
    ------
    RequestError
        When a column is not in the table; the message lists those that are.
    UnreadableError
        When the file is empty, is not a table, can be read in two ways, or a number is none.
    """
    import pandas as pd

    source = open_source(path, options.max_bytes)
    table = text_table(source, options)
    names = list(table.cells.columns)
    labels = (*labels, *(column for column in optional if column in names))
    asked = {column: _find(source, column, names) for column in (*numbers, *labels)}
    if asked:
        wanted_numbers, wanted_labels = set(numbers), set(labels)
    else:
        asked = {name: name for name in names}
        wanted_numbers = {n for n in names if _all_numbers(table, n)}
        wanted_labels = set(names) - wanted_numbers
    problems: list[Problem] = []
    out = {}
    for column, name in asked.items():
        out[column] = (
            _number_column(source, table, name, problems)
            if column in wanted_numbers and column not in wanted_labels
            # A condition may well be called "none": among labels only an empty cell is missing.
            else [cell.strip() for cell in table.cells[name]]
        )
    if problems:
        raise UnreadableError(problems)
    frame = pd.DataFrame(out, index=pd.Index(table.lines, name="line"))
    units = dict(zip(names, table.units, strict=True))
    timed = [n for n in wanted_numbers if table.cells[asked[n]].str.contains(":").any()]
    notes = (*table.notes, *(f"column {n!r}: times were read as seconds" for n in sorted(timed)))
    frame.attrs = {"units": {c: units[n] for c, n in asked.items()}, "notes": notes}
    return frame


def text_table(source: Source, options: ReadOptions) -> TextTable:
    """Read every cell of a table as text.

    Raises
    ------
    UnreadableError
        When the file is not a table or can be read in two ways.
    """
    if source.kind == "workbook":
        return _workbook_table(source, options)
    if source.kind == "text":
        dialect = propose_dialect(source, options)
        return _text_file_table(source, dialect)
    raise refuse_kind(source, "table (CSV, TSV or XLSX)")


def refuse_kind(source: Source, wanted: str) -> UnreadableError:
    """Build the error for a file that is not what its place in the request needs."""
    said = {
        "html": ("an HTML page", "open the link in a browser, log in, and download the file."),
        "archive": ("a packed archive", "unpack it and give the file inside."),
        "fit": ("a FIT recording", "give it where a recording is wanted."),
        "xml": ("an XML file of another kind", "export the recording as FIT, TCX, GPX or CSV."),
        "binary": ("bytes of no format known here", "export as FIT, TCX, GPX, CSV or XLSX."),
        "text": ("plain text", "export as FIT, TCX, GPX, CSV or XLSX."),
        "workbook": ("a workbook", "give it where a table is wanted."),
    }
    found, fix = said[source.kind]
    return source.refuse(found, f"a {wanted} was expected.", fix)


def read_frame(source: Source, dialect: Dialect, *, as_text: bool) -> pd.DataFrame:
    """Read the data rows of a text table with its proposed dialect.

    Raises
    ------
    UnreadableError
        When a row is longer than the header, or a quotation never ends.
    """
    import pandas as pd

    dated = {"parse_dates": list(dialect.stamps), "date_format": "ISO8601"}
    names = [*dialect.names, _TRAILING] if dialect.trailing else list(dialect.names)
    rows = BytesIO(source.data)
    rows.seek(dialect.offset)
    try:
        with warnings.catch_warnings():
            # Cells beyond the last column are lost with no more than this warning.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                rows,
                sep=dialect.delimiter,
                header=None,
                names=names,
                index_col=False,
                dtype=str if as_text else None,
                decimal=dialect.marks.decimal,
                na_values=None if as_text else ["-", "--", "—", "."],
                keep_default_na=not as_text,
                skip_blank_lines=False,
                encoding=dialect.encoding,
                encoding_errors="replace",
                low_memory=False,
                **({} if as_text else dated),
            )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError, OverflowError) as error:
        reason = str(error).replace("Error tokenizing data. C error: ", "").strip()
        raise _misfit(source, dialect, reason) from None
    except pd.errors.ParserWarning:
        raise _misfit(source, dialect, "cells beyond the last column") from None
    if not dialect.trailing:
        return frame
    beyond = frame.pop(_TRAILING).dropna().astype(str).str.strip()
    if (beyond != "").any():
        raise _misfit(source, dialect, "cells beyond the last column")
    return frame


def _misfit(source: Source, dialect: Dialect, found: str) -> UnreadableError:
    return source.refuse(
        found,
        f"rows from line {dialect.first_line} on do not fit the {len(dialect.names)} columns.",
        "check for unquoted delimiters inside cells and for an unfinished quotation.",
    )


def _text_file_table(source: Source, dialect: Dialect) -> TextTable:
    frame = read_frame(source, dialect, as_text=True).fillna("").astype(str)
    lines = np.arange(len(frame)) + dialect.first_line
    return _without_blank(source, frame, lines, dialect.units, dialect.marks, dialect.notes)


def _workbook_table(source: Source, options: ReadOptions) -> TextTable:
    import pandas as pd

    rows, notes = workbook_rows(source, options)
    # A row of notes merged across the sheet has one cell; short rows are filled up.
    layout = find_layout(rows)
    if layout is None:
        raise source.refuse(
            f"{len(rows)} rows",
            "no row of column names stands above the values, or nothing stands below it.",
            "put one row of names on top of the table.",
        )
    names, renamed = column_names(rows[layout.header])
    keep = [i for i in range(len(names)) if not _blank_column(rows[layout.header :], i)]
    body = [[row[i] for i in keep] for row in rows[layout.first :]]
    frame = pd.DataFrame(body, columns=[names[i] for i in keep], dtype=str)
    units = [rows[layout.units][i] if layout.units is not None else "" for i in keep]
    lines = np.arange(len(frame)) + layout.first + 1
    return _without_blank(source, frame, lines, tuple(units), Marks(), (*notes, *renamed))


def _blank_column(rows: Sequence[Sequence[str]], column: int) -> bool:
    return all(not row[column].strip() for row in rows)


def _without_blank(
    source: Source,
    frame: pd.DataFrame,
    lines: NDArray[np.int_],
    units: tuple[str, ...],
    marks: Marks,
    notes: tuple[str, ...],
) -> TextTable:
    filled = (frame.map(str.strip) != "").any(axis=1).to_numpy()
    if not filled.any():
        raise source.refuse("a header and no rows", "the table is empty.", "export it again.")
    return TextTable(frame[filled], lines[filled].tolist(), units, marks, notes)


def _find(source: Source, column: str, names: Sequence[str]) -> str:
    """Column of the table meant by a name: as written, or without regard to case and unit."""
    if column in names:
        return column
    loose = [name for name in names if _stem(name) == _stem(column)]
    if len(loose) == 1:
        return loose[0]
    close = get_close_matches(column, names, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]!r}? " if close else ""
    raise RequestError(
        Problem(
            source.name,
            f"no column {column!r}",
            "the table does not have it.",
            f"{hint}The columns are: " + ", ".join(map(repr, names)) + ".",
        )
    )


def _stem(name: str) -> str:
    return re.sub(r"[(\[].*?[)\]]", "", name).strip().casefold()


def _all_numbers(table: TextTable, name: str) -> bool:
    cells = [cell for cell in table.cells[name] if not is_missing(cell)]
    return bool(cells) and all(
        to_number(cell, table.marks) is not None or clock_seconds(cell) is not None
        for cell in cells
    )


def _number_column(
    source: Source, table: TextTable, name: str, problems: list[Problem]
) -> NDArray[np.float64]:
    out = np.full(len(table.lines), np.nan)
    bad = []
    for row, (cell, line) in enumerate(zip(table.cells[name], table.lines, strict=True)):
        if is_missing(cell):
            continue
        number = to_number(cell, table.marks)
        number = clock_seconds(cell) if number is None else number
        if number is None:
            bad.append((line, cell))
        else:
            out[row] = number
    if bad:
        shown = ", ".join(f"{cell!r} (line {line})" for line, cell in bad[:5])
        more = f" and {len(bad) - 5} more" if len(bad) > 5 else ""
        problems.append(
            Problem(
                f"{source.name}, column {name!r}",
                shown + more,
                "numbers are needed in this column.",
                "correct the cells, or leave a cell empty where nothing was measured.",
                bad[0][0],
            )
        )
    return out
