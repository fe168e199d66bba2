"""How a text table is written: proposed from its first part, never guessed where it is open.

The proposer looks at the first 64 KiB. What it finds is exact from then on: reading uses the
proposal and nothing else. Two readings that are both possible are an error with a suggestion.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from trialkit.domain.units import find_unit
from trialkit.errors import RequestError
from trialkit.ingest.cells import Marks, is_missing, is_value, number_marks
from trialkit.ingest.sources import ReadOptions, Source
from trialkit.ingest.stamps import looks_iso

SAMPLE_BYTES: Final = 64 * 1024
_SAMPLE_LINES: Final = 80
_DELIMITER_LINES: Final = 40
_DELIMITERS: Final = ";\t|,"
_DELIMITER_WORDS: Final = {";": "semicolon", "\t": "tab", "|": "bar", ",": "comma"}
_LINE_END: Final = re.compile(r"\r\n|\n|\r")
_UNIT_CELL: Final = re.compile(r"[(\[].*[)\]]|[hms]{1,2}:[hms:.]+", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Layout:
    """Row numbers of a table's parts, from 0; ``units`` is None without a row of units."""

    header: int
    first: int
    units: int | None = None


@dataclass(frozen=True, slots=True)
class Dialect:
    """Everything needed to read a text table exactly.

    ``offset`` is the byte at which the data rows begin, ``first_line`` its line number from 1;
    ``stamps`` names the columns that begin with an ISO date; ``trailing`` says that rows end in a
    delimiter with nothing behind it.
    """

    encoding: str
    delimiter: str
    marks: Marks
    names: tuple[str, ...]
    units: tuple[str, ...]
    offset: int
    first_line: int
    stamps: tuple[str, ...] = ()
    trailing: bool = False
    notes: tuple[str, ...] = ()


def encoding_of(data: bytes) -> tuple[str, int]:
    """Encoding of a text file and the length of its byte-order mark."""
    marks = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"),
             (codecs.BOM_UTF16_BE, "utf-16-be"))  # fmt: skip
    for mark, name in marks:
        if data.startswith(mark):
            return name, len(mark)
    if data.isascii() and b"\0" not in data[:4096]:
        return "utf-8", 0  # seen in a fraction of the time that decoding takes
    head = data[:4096]
    zeros_even, zeros_odd = head[::2].count(0), head[1::2].count(0)
    if zeros_even + zeros_odd > 0.2 * len(head):
        return ("utf-16-le" if zeros_odd > zeros_even else "utf-16-be"), 0
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252", 0
    return "utf-8", 0


def propose_dialect(source: Source, options: ReadOptions) -> Dialect:
    """Propose how a text table is written.

    Raises
    ------
    UnreadableError
        When no header can be found, or two ways of reading are both possible.
    """
    encoding, mark = encoding_of(source.data)
    sample = source.data[mark : mark + SAMPLE_BYTES]
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    text = decoder.decode(sample)
    lines = _LINE_END.split(text, maxsplit=_SAMPLE_LINES + 1)
    if mark + SAMPLE_BYTES < len(source.data):
        lines = lines[:-1]  # the last one is cut
    lines = lines[:_SAMPLE_LINES]
    declared = re.fullmatch(r'"?sep=(.)"?', lines[0].strip("\ufeff")) if lines else None
    delimiter = options.delimiter or (declared.group(1) if declared else None)
    skip = 1 if declared else 0
    delimiter = delimiter or _delimiter(lines)
    rows, trailing = _without_trailing(split_rows(lines, delimiter))
    layout = find_layout(rows, skip=skip)
    if layout is None:
        raise _no_header(source, rows, delimiter)
    marks = _marks(source, rows[layout.first :], options, delimiter)
    notes = ["not valid UTF-8; read as Windows-1252 text"] if encoding == "cp1252" else []
    names, renamed = column_names(rows[layout.header])
    units = rows[layout.units] if layout.units is not None else []
    return Dialect(
        encoding=encoding,
        delimiter=delimiter,
        marks=marks,
        names=names,
        units=tuple(_bare(u) for u in [*units, *[""] * len(names)][: len(names)]),
        offset=mark + _bytes_before(text, layout.first, encoding),
        first_line=layout.first + 1,
        stamps=tuple(n for n, c in zip(names, rows[layout.first], strict=False) if looks_iso(c)),
        trailing=trailing,
        notes=tuple(notes + renamed),
    )


def split_rows(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    """Split lines at a delimiter, quotes respected; one row per line, blank lines empty."""
    rows = []
    for line in lines:
        if '"' not in line:
            rows.append(line.split(delimiter) if line else [])
            continue
        try:
            rows.append(next(csv.reader([line], delimiter=delimiter), []))
        except csv.Error:
            rows.append([line])
    return rows


def _without_trailing(rows: list[list[str]]) -> tuple[list[list[str]], bool]:
    """Drop the empty last cell that some exports put at the end of every data row, and tell."""
    width = modal_width(rows)
    wide = [row for row in rows if len(row) == width]
    if width > 1 and all(not row[-1].strip() for row in wide):
        return [row[:-1] if len(row) == width else row for row in rows], True
    return rows, False


def _delimiter(lines: Sequence[str]) -> str:
    """Delimiter whose split is most even and leaves the fewest other delimiters inside cells."""
    best, best_score = ",", 0.0
    present = [d for d in _DELIMITERS if any(d in line for line in lines)]
    if len(present) == 1:
        return present[0]
    for candidate in present:
        rows = [
            row
            for row in split_rows(lines[:_DELIMITER_LINES], candidate)
            if any(cell.strip() for cell in row)
        ]
        width = modal_width(rows)
        if width < 2:
            continue
        even = [row for row in rows if len(row) == width]
        others = [d for d in _DELIMITERS if d != candidate]
        cells = [cell for row in even for cell in row]
        torn = sum(any(d in cell for d in others) and not is_value(cell) for cell in cells)
        score = len(even) / len(rows) * (1 - torn / len(cells))
        if score > best_score + 1e-9:
            best, best_score = candidate, score
    return best


def modal_width(rows: Sequence[Sequence[str]]) -> int:
    """Most common number of cells in a row; 0 without rows."""
    widths = Counter(len(row) for row in rows if row)
    return widths.most_common(1)[0][0] if widths else 0


def find_layout(rows: Sequence[Sequence[str]], *, skip: int = 0) -> Layout | None:
    """Find header, units row and first data row; None when no row can be the header.

    A header is a row of words as wide as the table, followed by rows that hold values where the
    table holds values. Lines a device writes above it are passed over.
    """
    filled = [i for i, row in enumerate(rows) if i >= skip and any(c.strip() for c in row)]
    width = modal_width([rows[i] for i in filled])
    value_columns = _value_columns([rows[i] for i in filled if len(rows[i]) == width], width)
    for at, i in enumerate(filled):
        row = rows[i]
        if len(row) != width or not _is_header(row):
            continue
        after = filled[at + 1 :]
        units = None
        if len(after) > 1 and _is_units_row(rows[after[0]], width, value_columns):
            units, after = after[0], after[1:]
        if not after:
            return None
        if any(_is_second_header(rows[j], width, value_columns) for j in after[:20]):
            continue  # a summary with names of its own stands above the table
        if not value_columns or _fits([rows[j] for j in after[:5]], value_columns):
            return Layout(i, after[0], units)
    return None


def _value_columns(rows: Sequence[Sequence[str]], width: int) -> list[int]:
    """Columns that hold numbers or times in most of the lower half of the rows."""
    lower = rows[len(rows) // 2 :]
    found = []
    for column in range(width):
        cells = [row[column] for row in lower if not is_missing(row[column])]
        if cells and sum(map(is_value, cells)) >= 0.6 * len(cells):
            found.append(column)
    return found


def _is_header(row: Sequence[str]) -> bool:
    words = [cell for cell in row if not is_missing(cell)]
    return len(words) > 0.5 * len(row) and not any(map(is_value, words))


def _is_second_header(row: Sequence[str], width: int, value_columns: Sequence[int]) -> bool:
    """Whether a row has words in every column that holds values, and those are several."""
    if len(row) != width or len(value_columns) < 2:
        return False
    cells = [row[column] for column in value_columns]
    return not any(is_missing(cell) or is_value(cell) for cell in cells)


def _is_units_row(row: Sequence[str], width: int, value_columns: Sequence[int]) -> bool:
    """Whether a row names units over most value columns, and holds no value itself."""
    if len(row) != width or any(map(is_value, row)):
        return False
    cells = [row[column].strip() for column in value_columns if row[column].strip()]
    return bool(cells) and sum(map(_is_unit, cells)) > 0.5 * len(cells)


def _is_unit(cell: str) -> bool:
    if _UNIT_CELL.fullmatch(cell):
        return True
    try:
        find_unit(cell)
    except RequestError:
        return False
    return True


def _fits(rows: Sequence[Sequence[str]], value_columns: Sequence[int]) -> bool:
    """Whether few cells of value columns are words (a single bad cell must not hide a header)."""
    words = total = 0
    for row in rows:
        for column in value_columns:
            cell = row[column] if column < len(row) else "word"
            words += not (is_missing(cell) or is_value(cell))
            total += 1
    return words < 0.34 * total


def column_names(header: Sequence[str]) -> tuple[tuple[str, ...], list[str]]:
    """Names of the columns, blank and repeated ones made distinct, with notes."""
    names: list[str] = []
    notes = []
    for number, cell in enumerate(header, start=1):
        name = cell.strip().strip("\ufeff") or f"column {number}"
        if name in names:
            notes.append(f"column {number} repeats the name {name!r}; it is called {name}_{number}")
            name = f"{name}_{number}"
        names.append(name)
    return tuple(names), notes


def _marks(
    source: Source, rows: Sequence[Sequence[str]], options: ReadOptions, delimiter: str
) -> Marks:
    marks = number_marks(cell for row in rows for cell in row)
    if options.decimal is not None:
        other = "," if options.decimal == "." else "."
        return Marks(options.decimal, marks.thousands if marks.thousands == other else None)
    if marks.doubt:
        raise source.refuse(
            f"numbers that can be read in two ways: {marks.doubt}",
            "the decimal mark cannot be told.",
            "say which it is (decimal ',' or decimal '.'), or export with plain numbers.",
        )
    return marks


def _no_header(source: Source, rows: Sequence[Sequence[str]], delimiter: str) -> Exception:
    filled = [row for row in rows if any(cell.strip() for cell in row)]
    width = modal_width(filled)
    narrow = [row for row in filled if len(row) < width and _is_header(row)]
    if delimiter == "," and narrow:
        return source.refuse(
            f"{width} comma-separated cells in a row under {len(narrow[-1])} column names",
            "the comma can be the delimiter or the decimal mark.",
            "export with another delimiter (semicolon or tab) or with decimal points.",
        )
    word = _DELIMITER_WORDS.get(delimiter, repr(delimiter))
    return source.refuse(
        f"{len(filled)} rows in the first part, split at the {word}",
        "no row of column names stands above the values, or nothing stands below it.",
        "put one row of names on top, such as: time_s, heart_rate (bpm).",
    )


def _bare(unit: str) -> str:
    return unit.strip().strip("()[]").strip()


def _bytes_before(text: str, line: int, encoding: str) -> int:
    """Bytes before a line (counted from 0) of the decoded sample."""
    position = 0
    for _ in range(line):
        end = _LINE_END.search(text, position)
        if end is None:
            return len(text.encode(encoding, "replace"))
        position = end.end()
    return len(text[:position].encode(encoding, "replace"))
