"""What one cell of a table is: missing, a number, a time, or text."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from trialkit.ingest.stamps import clock_seconds, looks_iso

MISSING: Final = frozenset({"", "na", "n/a", "nan", "null", "none", "-", "--", "—", ".", "#n/a"})
_NUMBER: Final = re.compile(r"[+\u2212-]?(\d[\d.,\u00a0\u202f' ]*|[.,]\d+)([eE][+-]?\d+)?\s*%?")
_DATE: Final = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})([T ].*)?")
_COMMA_DECIMAL: Final = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?")
_DOT_DECIMAL: Final = re.compile(r"[+-]?\d*\.\d+([eE][+-]?\d+)?")
_COMMA_GROUPS: Final = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+")
_DOT_GROUPS: Final = re.compile(r"[+-]?[1-9]\d{0,2}(\.\d{3})+")
_SPACED: Final = re.compile(r"[+-]?[1-9]\d{0,2}([\u00a0\u2009\u202f ']\d{3})+([.,]\d+)?")
_GROUP_SPACES: Final = re.compile("[\u00a0\u2009\u202f ']")
_GROUPED_COMMA_DECIMAL: Final = re.compile(r"[+-]?[1-9]\d{0,2}(\.\d{3})+,\d+")
_GROUPED_DOT_DECIMAL: Final = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+\.\d+")


def is_missing(text: str) -> bool:
    """Whether a cell says that there is no value."""
    return text.strip().lower() in MISSING


def is_value(text: str) -> bool:
    """Whether a cell holds a number, a date, a stamp or a clock time rather than words."""
    cell = text.strip()
    return cell.isdecimal() or bool(
        _NUMBER.fullmatch(cell)
        or looks_iso(cell)
        or _DATE.fullmatch(cell)
        or clock_seconds(cell) is not None
    )


@dataclass(frozen=True, slots=True)
class Marks:
    """Decimal mark and thousands mark of a file; or, in ``doubt``, why they cannot be told."""

    decimal: str = "."
    thousands: str | None = None
    doubt: str | None = None


def number_marks(cells: Iterable[str]) -> Marks:
    """Tell the decimal mark from the numbers of a file, or say why it cannot be told.

    Examples
    --------
    >>> number_marks(["12,5", "13,0"]).decimal
    ','
    >>> number_marks(["1.234,5"]).thousands
    '.'
    >>> number_marks(["1,234"]).doubt
    "'1,234' may be a thousand and more, or one and a fraction"
    """
    kinds = _Kinds.of(cells)
    if kinds.grouped_comma and kinds.grouped_dot:
        return Marks(doubt=f"both {kinds.grouped_comma!r} and {kinds.grouped_dot!r} occur")
    if kinds.grouped_comma:
        return Marks(",", ".")
    if kinds.grouped_dot:
        return Marks(".", ",")
    if kinds.comma and kinds.dot:
        return _both(kinds)
    if kinds.comma:
        return Marks(",") if kinds.comma_surely_decimal else Marks(
            doubt=f"{kinds.comma!r} may be a thousand and more, or one and a fraction"
        )  # fmt: skip
    return Marks()


def _both(kinds: _Kinds) -> Marks:
    if kinds.comma_surely_decimal and not kinds.dot_surely_decimal:
        return Marks(",", ".")
    if kinds.dot_surely_decimal and not kinds.comma_surely_decimal:
        return Marks(".", ",")
    return Marks(doubt=f"both {kinds.comma!r} and {kinds.dot!r} occur")


@dataclass(slots=True)
class _Kinds:
    """One example of each way of writing a number that a file holds."""

    comma: str = ""
    dot: str = ""
    grouped_comma: str = ""
    grouped_dot: str = ""
    comma_surely_decimal: bool = False
    dot_surely_decimal: bool = False

    @classmethod
    def of(cls, cells: Iterable[str]) -> _Kinds:
        kinds = cls()
        for cell in cells:
            kinds._see(cell)
        return kinds

    def _see(self, cell: str) -> None:
        dots = cell.count(".")
        if "," not in cell and (dots == 0 or (dots == 1 and self.dot_surely_decimal)):
            return  # nothing new can be learnt from it; most cells end here
        cell = _plain(cell)
        if _GROUPED_COMMA_DECIMAL.fullmatch(cell):
            self.grouped_comma = cell
        elif _GROUPED_DOT_DECIMAL.fullmatch(cell):
            self.grouped_dot = cell
        elif _COMMA_GROUPS.fullmatch(cell):
            self.comma = self.comma or cell
            self.grouped_dot = cell if cell.count(",") > 1 else self.grouped_dot
        elif _DOT_GROUPS.fullmatch(cell):
            self.dot = self.dot or cell
            self.grouped_comma = cell if cell.count(".") > 1 else self.grouped_comma
        elif _COMMA_DECIMAL.fullmatch(cell):
            self.comma, self.comma_surely_decimal = cell, True
        elif _DOT_DECIMAL.fullmatch(cell):
            self.dot, self.dot_surely_decimal = cell, True


def _plain(text: str) -> str:
    """Take the percent sign, typographic minus and grouping spaces out of a number."""
    cell = text.strip().replace("\u2212", "-").removesuffix("%").rstrip()
    return _GROUP_SPACES.sub("", cell) if _SPACED.fullmatch(cell) else cell


def to_number(text: str, marks: Marks) -> float | None:
    """Number in a cell under the file's marks, grouping checked; None when it is not a number.

    A percent sign behind it, a typographic minus, and thousands grouped by spaces or apostrophes
    are understood; the value of ``34 %`` is 34.

    Examples
    --------
    >>> to_number("1.234,5", Marks(",", "."))
    1234.5
    >>> to_number("12.5", Marks(",", ".")) is None
    True
    """
    cell = _plain(text)
    if marks.thousands and marks.thousands in cell:
        whole = cell.split(marks.decimal)[0]
        groups = _DOT_GROUPS if marks.thousands == "." else _COMMA_GROUPS
        if not groups.fullmatch(whole):
            return None
        cell = cell.replace(marks.thousands, "")
    pattern = _COMMA_DECIMAL if marks.decimal == "," else _DOT_DECIMAL
    if not (pattern.fullmatch(cell) or re.fullmatch(r"[+-]?\d+\.?([eE][+-]?\d+)?", cell)):
        return None
    number = float(cell.replace(",", "."))
    return number if abs(number) < 1e300 else None
