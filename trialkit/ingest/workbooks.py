"""XLSX workbooks as rows of text cells: sizes bounded before the reader sees them."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from io import BytesIO
from typing import Any

from trialkit.ingest.archives import bounded_archive
from trialkit.ingest.cells import Marks, number_marks
from trialkit.ingest.sources import ReadOptions, Source


def workbook_rows(source: Source, options: ReadOptions) -> tuple[list[list[str]], tuple[str, ...]]:
    """Rows of the one visible sheet that holds anything (or the one asked for), with notes.

    A date or time arrives as ISO text, a duration as ``h:mm:ss``, a number with a decimal point.

    Raises
    ------
    UnreadableError
        When it is no workbook, too large when unpacked, damaged, or has several full sheets.
    """
    plain = bounded_archive(source)
    try:
        return _read(source, plain, options)
    except BaseException as error:
        # The native reader reports a panic as an exception outside the usual tree.
        usual = isinstance(error, Exception) or type(error).__name__ == "PanicException"
        if not usual or hasattr(error, "problems"):
            raise
        raise source.refuse(
            f"a damaged workbook ({type(error).__name__})",
            "its sheets cannot be read.",
            "open it, save it again as .xlsx, or export CSV.",
        ) from None


def _read(
    source: Source, archive: bytes, options: ReadOptions
) -> tuple[list[list[str]], tuple[str, ...]]:
    from python_calamine import CalamineWorkbook, SheetVisibleEnum

    book = CalamineWorkbook.from_filelike(BytesIO(archive))
    visible = [s.name for s in book.sheets_metadata if s.visible == SheetVisibleEnum.Visible]
    hidden = len(book.sheet_names) - len(visible)
    notes = [f"{hidden} hidden sheets were not looked at"] if hidden else []
    if options.sheet is not None and options.sheet not in book.sheet_names:
        raise source.refuse(
            f"no sheet called {options.sheet!r}",
            "the sheet asked for is not in the workbook.",
            "name one of " + ", ".join(map(repr, book.sheet_names)) + ".",
        )
    names = visible if options.sheet is None else [options.sheet]
    full = {}
    for name in names:
        rows = [[_text(cell) for cell in row] for row in book.get_sheet_by_name(name).to_python()]
        if any(cell for row in rows for cell in row):
            full[name] = rows
    if len(full) != 1:
        found = f"{len(full)} visible sheets with data" + ("" if not full else ": ")
        raise source.refuse(
            found + ", ".join(map(repr, full)),
            "a table is one sheet." if full else "there is nothing to read.",
            "say which sheet (sheet='...')." if full else "check that the workbook was saved.",
        )
    return next(iter(full.values())), tuple(notes)


def _text(cell: Any) -> str:
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, float):
        return repr(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime | date):
        return cell.isoformat()
    if isinstance(cell, time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        # A duration of 24 hours or more arrives as a difference of times.
        minutes, seconds = divmod(cell.total_seconds(), 60)
        return f"{int(minutes // 60)}:{int(minutes % 60):02d}:{seconds:06.3f}"
    text = str(cell).strip()
    # "34,2" typed as text: numbers proper arrive with a point, so this comma is a decimal one
    # unless it may group thousands, which stays as it is and is reported where a number is needed.
    marks = number_marks([text])
    return text.replace(",", ".") if marks == Marks(",") else text
