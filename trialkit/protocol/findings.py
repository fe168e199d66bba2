"""What is wrong with a protocol, first as places and words, then as problems with their lines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from trialkit.errors import Problem
from trialkit.protocol.lines import Path, line_of


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault at one path of the file."""

    path: Path
    found: str
    wrong: str
    fix: str


def to_problems(
    findings: Iterable[Finding], *, data: object, lines: Mapping[Path, int], where: str
) -> Iterator[Problem]:
    """Problems with the field in the words of the file, and its line."""
    for finding in findings:
        field = field_name(finding.path, data)
        yield Problem(
            where=f"{where}: {field}" if field else where,
            found=finding.found,
            wrong=finding.wrong,
            fix=finding.fix,
            line=line_of(finding.path, lines),
        )


def field_name(path: Path, data: object) -> str:
    """A path as people say it: list items by their name, or counted from 1.

    Examples
    --------
    >>> field_name(("outcomes", 0, "unit"), {"outcomes": [{"name": "power"}]})
    'outcomes.power.unit'
    >>> field_name(("outcomes", 0, "unit"), {"outcomes": [{}]})
    'outcomes.1.unit'
    """
    words = []
    for step in path:
        data = value_at((step,), data)
        if isinstance(step, int):
            name = data.get("name") if isinstance(data, dict) else None
            words.append(name if isinstance(name, str) and name else str(step + 1))
        else:
            words.append(step)
    return ".".join(words)


def value_at(path: Path, data: object) -> Any:
    """The value at a path, or None where there is none."""
    for step in path:
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and isinstance(step, int) and step < len(data):
            data = data[step]
        else:
            return None
    return data


def written(value: object, *, most: int = 60) -> str:
    """A value as it would stand in the file, texts shortened to ``most`` characters.

    Examples
    --------
    >>> written(True), written("W"), written([1, 2]), written({})
    ('true', '"W"', '[1, 2]', 'a table')
    """
    match value:
        case bool():
            text = str(value).lower()
        case int():
            text = str(value) if value.bit_length() < 64 else "a huge number"
        case str():
            text = _quoted(value, most)
        case dict():
            text = "a table"
        case list() | tuple():
            text = _listed(value, most)
        case time(second=0, microsecond=0):
            text = f'"{value:%H:%M}"'
        case datetime() | date() | time():
            text = value.isoformat()
        case _:
            text = str(value)
    return text


def _quoted(value: str, most: int) -> str:
    text = "".join(c if c.isprintable() else " " for c in value[: most + 1])
    return f'"{text}"' if len(text) <= most else f'"{text[: most - 3]}..."'


def _listed(value: Sequence[object], most: int) -> str:
    if any(isinstance(item, dict | list) for item in value) or len(value) > most // 5:
        return f"a list of {len(value)}"
    return "[" + ", ".join(written(item, most=most) for item in value) + "]"
