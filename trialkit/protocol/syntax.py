"""Reading the TOML of a protocol, and saying in plain words where its writing is at fault."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any, Final

from trialkit.errors import Problem

_PLACE: Final = re.compile(r"\(at line (\d+), column \d+\)")
_STRINGS: Final = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
_MOST_FAULTS: Final = 20
_LOOK_BACK: Final = 300
_READ_AGAIN: Final = 20_000_000  # characters; a fault in a huge file is found in seconds

_Hint = tuple[str, str, str]
_VALUE: Final = r"=\s*"
_LINE_HINTS: Final[tuple[_Hint, ...]] = (
    ("[“”„‟‘’‚«»]", "typographic quotes do not count as quotes.", 'use the straight quote ".'),
    (
        _VALUE + r"[-+]?\d+,\d",
        "a decimal comma is read as the end of the number.",
        "write the number with a point, such as 2.5.",
    ),
    (
        _VALUE + r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}",
        "that is not a date of the calendar written as year-month-day.",
        "write the date like 2026-05-04.",
    ),
    (
        _VALUE + r"\d{1,2}:\d{2}",
        "a time of day needs quotes.",
        'write it like "07:15".',
    ),
    (
        _VALUE + r"(?i:yes|no|on|off|true|false)\b",
        "yes and no are written true and false.",
        "write true or false, in small letters and without quotes.",
    ),
    (
        _VALUE + r"(?i:none|null|nil|nan\w|n/a)\b",
        "a value that is not known is left out.",
        "delete the line.",
    ),
    (
        _VALUE + r"[-+]?\d+(\.\d+)?\s*[A-Za-z%°µ]",
        "a number stands alone.",
        "take the unit away from the number; it has a key of its own.",
    ),
    (
        _VALUE + r"[-+]?(\.\d|\d+\.(?!\d))",
        "a number needs a digit on both sides of the point.",
        "write it like 0.5 or 5.0.",
    ),
    (_VALUE + r"[-+]?0\d", "a number cannot begin with a zero.", "take the leading zero away."),
    (_VALUE + r"($|#)", "the value is missing.", "write a value, or delete the line."),
    (
        _VALUE + r'""\s*[^\s#,\]}]',
        "something stands after the closing quote.",
        "put a text that holds a quote itself in the other kind of quote.",
    ),
    (_VALUE + r"[^\W\d]", "text needs quotes.", 'put the text in double quotes: "...".'),
    (r"^\s*[\w-]+\s*:", "a key and its value are joined by =.", "write = instead of the colon."),
)
_MESSAGE_HINTS: Final[tuple[_Hint, ...]] = (
    (
        r"Unescaped '\\'",
        "a backslash in double quotes begins a special character.",
        "put the text in single quotes, or write the backslash twice.",
    ),
    (
        r"Unterminated|Illegal character '\\n'",
        "a quote that was opened is not closed.",
        "add the closing quote; text over several lines stands between three quotes.",
    ),
    (r"Unclosed array", "a list that was opened is not closed.", "add the missing ]."),
    (
        r"Unclosed inline table|key part",
        "a table in braces stays on one line, its entries parted by single commas.",
        'write it like { value = 2.0, unit = "W" } with no comma before the }.',
    ),
    (
        r"Cannot declare \('(conditions|outcomes|segments)'",
        "a table that is given several times is a list, and its name stands in double brackets.",
        "write [[conditions]], [[outcomes]] and [[segments]] with two brackets each.",
    ),
    (
        r"Cannot declare|Cannot overwrite|Cannot mutate",
        "it is given twice.",
        "keep one of the two; a list such as [[conditions]] has double brackets every time.",
    ),
    (r"end of a(n array| table)", "the brackets do not match.", "close the bracket: [design]."),
    (
        r"Expected '='",
        "a line holds one key, an = and a value; a key has no spaces.",
        "write it like key = value, and begin a remark with #.",
    ),
    (
        r"Illegal character",
        "it holds a character that cannot be printed.",
        "delete the line and type it again.",
    ),
)
_OTHERWISE: Final = (
    "",
    "it is not written as TOML asks.",
    "write one key = value on each line: text in double quotes, numbers with a point.",
)


@dataclass(frozen=True, slots=True)
class Reading:
    """What could be read: the data (None when nothing could), and the faults of the writing.

    ``text`` is what was read in the end: the given text, with faulty lines left blank.
    """

    data: dict[str, Any] | None
    text: str
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True)
class _Fault:
    message: str
    first: int | None
    last: int
    line: int


def read_toml(text: str, *, where: str) -> Reading:
    """Read TOML text; faulty lines are set aside, so that the rest can be checked as well.

    Raises
    ------
    RecursionError
        When lists or tables are nested too deeply to be read.
    """
    lines = text.split("\n")
    problems: list[Problem] = []
    while len(problems) < _MOST_FAULTS:
        try:
            kept = "\n".join(lines)
            return Reading(tomllib.loads(kept), kept, tuple(problems))
        except ValueError as error:  # also a whole number of thousands of digits
            fault = _locate(str(error), lines)
        problems.append(_phrase(fault, lines, where))
        if not _stands_alone(fault, lines):
            break
        lines[fault.last - 1] = ""
    return Reading(None, text, tuple(problems))


def _locate(message: str, lines: list[str]) -> _Fault:
    found = _PLACE.search(message)
    last = min(int(found[1]), len(lines)) if found else len(lines)
    while last > 1 and not lines[last - 1].strip():
        last -= 1
    first = _statement_start(lines, last)
    late = found is None or message.startswith(("Unclosed", "Unterminated", "Cannot"))
    return _Fault(message, first, last, first if first and late else last)


def _statement_start(lines: list[str], last: int) -> int | None:
    """The last line before which everything can be read: there the faulty statement begins."""
    size = 1 + sum(map(len, lines[:last]))
    tries = min(_LOOK_BACK, 1 + _READ_AGAIN // size)
    for first in range(last, max(last - tries, 0), -1):
        try:
            tomllib.loads("\n".join(lines[: first - 1]))
        except ValueError:
            continue
        return first
    return None


def _stands_alone(fault: _Fault, lines: list[str]) -> bool:
    """Whether the rest reads the same without the faulty line: no header, nothing left open."""
    bare = _bare(lines[fault.last - 1])
    closed = all(bare.count(a) == bare.count(b) for a, b in ("[]", "{}"))
    return fault.first == fault.last and closed and not bare.lstrip().startswith("[")


def _bare(line: str) -> str:
    return _STRINGS.sub('""', line)


def _phrase(fault: _Fault, lines: list[str], where: str) -> Problem:
    line = lines[fault.line - 1]
    bare = _bare(line)
    structural = fault.message.startswith(("Cannot", "Unescaped", "Unclosed array", "Unterminated"))
    hints = [h for h in _LINE_HINTS if not structural and re.search(h[0], bare)]
    hints += [h for h in _MESSAGE_HINTS if re.search(h[0], fault.message)]
    _, wrong, fix = hints[0] if hints else _OTHERWISE
    return Problem(where=where, found=_excerpt(line), wrong=wrong, fix=fix, line=fault.line)


def _excerpt(line: str) -> str:
    text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in line.strip())
    return text if len(text) <= 80 else text[:77] + "..."
