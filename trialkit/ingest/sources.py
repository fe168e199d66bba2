"""A file's bytes, read once and bounded, with what its first bytes say it is."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from trialkit.errors import Problem, UnreadableError

MEBIBYTE = 1024 * 1024
_BLANK = b"\0 \t\r\n"
_CONTROL = bytes([*range(9), *range(14, 32)])


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What a person has said about a file that the file does not say itself.

    ``time_zone`` is an IANA name: stamps without zone are local there, and clock times of segments
    are meant there. ``delimiter``, ``decimal``,
    ``day_first``, ``sheet`` and ``time_column`` settle what a table leaves open; ``channels`` maps
    column names to channel names and ``units`` column names to units.
    """

    max_bytes: int = 64 * MEBIBYTE
    time_zone: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    day_first: bool | None = None
    sheet: str | None = None
    time_column: str | None = None
    channels: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Source:
    """One file in memory: its name and its bytes."""

    name: str
    data: bytes

    @property
    def suffix(self) -> str:
        """The file name's ending in lower case, with its dot."""
        return Path(self.name).suffix.lower()

    @cached_property
    def sha256(self) -> str:
        """Content hash, the recording's identity."""
        return hashlib.sha256(self.data).hexdigest()

    @cached_property
    def kind(self) -> str:
        """What the first bytes say: fit, xml, html, workbook, archive, binary, or text."""
        return _kind(self.data)

    def refuse(
        self, found: str, wrong: str, fix: str, *, line: int | None = None
    ) -> UnreadableError:
        """Build the error for this file."""
        return UnreadableError(Problem(self.name, found, wrong, fix, line))


def open_source(path: Path, max_bytes: int) -> Source:
    """Read a file of at most ``max_bytes`` into memory.

    Raises
    ------
    UnreadableError
        When the file is missing, a folder, empty, or too large.
    """
    name = path.name
    if not path.is_file():
        found = "a folder" if path.is_dir() else "no such file"
        raise UnreadableError(
            Problem(str(path), found, "a recording or table is a file.", "check the name.")
        )
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= max_bytes else b""
    except OSError as error:
        reason = error.strerror or "an error of the system"
        raise UnreadableError(
            Problem(str(path), reason, "the file cannot be opened.", "check its permissions.")
        ) from error
    source = Source(name, data)
    if size > max_bytes:
        raise source.refuse(
            f"{size / MEBIBYTE:.0f} MB, more than the {max_bytes / MEBIBYTE:.0f} MB that are read",
            "no recording of one session is that large.",
            "export one session per file.",
        )
    if not data[:4096].strip(_BLANK) and not data.strip(_BLANK):
        raise source.refuse(
            f"{len(data)} bytes, nothing in them",
            "the file is empty.",
            "export it again from the device or the app.",
        )
    return source


def _kind(data: bytes) -> str:
    signatures = ((b"\x1f\x8b", "archive"), (b"7z\xbc\xaf", "archive"), (b"Rar!", "archive"))
    if data[8:12] == b".FIT":
        return "fit"
    if data[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
        return "workbook" if b"xl/workbook" in data or b"xl/worksheets" in data else "archive"
    for start, kind in signatures:
        if data.startswith(start):
            return kind
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "text"
    head = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n\0")
    if head.startswith(b"<"):
        low = head.lower()
        return "html" if b"<html" in low or low.startswith(b"<!doctype html") else "xml"
    return "text" if _looks_like_text(data[:4096]) else "binary"


def _looks_like_text(head: bytes) -> bool:
    control = len(head) - len(head.translate(None, _CONTROL))
    # UTF-16 without a mark: about every second byte of plain text is zero.
    zeros_even, zeros_odd = head[::2].count(0), head[1::2].count(0)
    if max(zeros_even, zeros_odd) > 0.3 * len(head) and min(zeros_even, zeros_odd) == 0:
        return True
    return control <= 0.01 * len(head)
