"""Workbook archives unpacked within bounds, so that a small file cannot fill the memory.

The native reader trusts what a workbook says of itself: it unpacks members to their end, lays a
sheet out from its first to its last cell, and copies a shared text into every cell that names it.
So the archive is unpacked here, bounded, judged, and handed on without compression.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from io import BytesIO
from typing import Final

from trialkit.ingest.sources import MEBIBYTE, Source

MAX_UNPACKED: Final = 100 * MEBIBYTE
MAX_CELLS: Final = 2_000_000
MAX_TEXT: Final = 50 * MEBIBYTE
_CELL: Final = re.compile(rb"""\br\s*=\s*["']([A-Za-z]{0,3})([0-9]{1,10})["']""")
_ESCAPED: Final = re.compile(rb"""\br\s*=\s*["'][^"'<>]{0,40}&""")
_SHARED: Final = re.compile(rb"""\bt\s*=\s*["']s["']""")


def bounded_archive(source: Source) -> bytes:
    """Unpack a workbook within bounds and pack it again without compression.

    Raises
    ------
    UnreadableError
        When it is no workbook, is damaged, or would unfold to an absurd size.
    """
    members = _members(source)
    if not any(name.startswith("xl/worksheets/") for name in members):
        raise source.refuse(
            "an archive without sheets",
            "it is not an XLSX workbook.",
            "unpack it and give the file inside, or save as .xlsx or CSV.",
        )
    references = 0
    for name, content in members.items():
        if name.endswith((".xml", ".rels")):
            _check_extent(source, content)
            references += len(_SHARED.findall(content))
    longest = max(
        (len(text) for name, content in members.items() if "sharedstrings" in name.lower()
         for text in content.split(b"<")),
        default=0,
    )  # fmt: skip
    if references * longest > MAX_TEXT and longest > 1000:
        raise source.refuse(
            f"a text of {longest} characters in up to {references} cells",
            "no table of a trial holds that.",
            "keep only the columns with data.",
        )
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as target:
        for name, content in members.items():
            target.writestr(name, content)
    return out.getvalue()


def _members(source: Source) -> dict[str, bytes]:
    """Contents by name; a member is read no further than the size it states."""
    try:
        with zipfile.ZipFile(BytesIO(source.data)) as archive:
            items = archive.infolist()
            total = sum(item.file_size for item in items)
            if total > MAX_UNPACKED or len(items) > 10_000:
                raise source.refuse(
                    f"{total / MEBIBYTE:.0f} MB in {len(items)} parts when unpacked",
                    "no table of a trial is that large; it may be an attack.",
                    "keep only the sheet with the data.",
                )
            return {item.filename: archive.read(item) for item in items}
    except (zipfile.BadZipFile, OSError, EOFError, ValueError, RuntimeError,
            NotImplementedError, zlib.error) as error:  # fmt: skip
        raise source.refuse(
            f"a damaged archive ({type(error).__name__})",
            "the workbook cannot be unpacked.",
            "copy or export it again.",
        ) from None


def _check_extent(source: Source, content: bytes) -> None:
    """Refuse a sheet whose used area is huge: it would be laid out in full, blanks too."""
    rows = columns = 1
    for letters, digits in _CELL.findall(content):
        rows, columns = max(rows, int(digits)), max(columns, _column_number(letters))
    if rows * columns > MAX_CELLS or _ESCAPED.search(content):
        raise source.refuse(
            f"a sheet that spans {rows} rows and {columns} columns",
            "no table of a trial is that large.",
            "delete stray cells far from the data, or copy the data to a new sheet.",
        )


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - 64
    return number
