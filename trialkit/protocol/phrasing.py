"""Faults of single fields, said in a coach's words."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from difflib import get_close_matches
from typing import Any, Final

from pydantic import ValidationError

from trialkit.protocol.dictionary import example_of, field_at, homes_of, keys_of, table_at
from trialkit.protocol.fields import COMPLAINT, choose_from
from trialkit.protocol.findings import Finding, written
from trialkit.protocol.lines import Path

Fault = Mapping[str, Any]
_NUMBER: Final = re.compile(r"\s*([-+]?\d+)(?:[.,](\d+))?\s*(\D*)")


def findings_of(error: ValidationError) -> Iterator[Finding]:
    """One finding per fault that pydantic saw; what only follows from another one is left out."""
    faults = [(fault, tuple(fault["loc"])) for fault in error.errors(include_url=False)]
    paths = [path for _, path in faults]
    meant = {_meant(path) for fault, path in faults if fault["type"] == "extra_forbidden"}
    for fault, path in faults:
        uncounted = fault["type"] == "too_short" and _any_below(path, paths)
        misspelt = fault["type"] == "missing" and path in meant
        if not (uncounted or misspelt):
            yield _finding(fault, path)


def _any_below(path: Path, paths: Iterable[Path]) -> bool:
    return any(len(other) > len(path) and other[: len(path)] == path for other in paths)


def _meant(path: Path) -> Path:
    """The path an unknown key was probably meant for; its own where there is no such."""
    table = table_at(path[:-1])
    near = get_close_matches(str(path[-1]).lower(), keys_of(table) if table else (), n=1)
    return (*path[:-1], *near) if near else path


def _finding(fault: Fault, path: Path) -> Finding:
    kind = str(fault["type"])
    phrase = _PHRASES.get(kind, _otherwise)
    wrong, fix = phrase(fault, path)
    found = {"missing": "nothing", "extra_forbidden": f'the key "{path[-1]}"'}.get(
        kind, written(fault["input"])
    )
    return Finding(path, found, wrong, fix)


def _missing(fault: Fault, path: Path) -> tuple[str, str]:
    if isinstance(path[-1], int):
        return "an entry of the list is missing.", f"write it like {example_of(path[:-1])}."
    info = field_at(path)
    meaning = (info.description or "").rstrip(".") if info else ""
    return f"this is needed ({meaning}).", f"add {example_of(path)}."


def _unknown_key(fault: Fault, path: Path) -> tuple[str, str]:
    table = table_at(path[:-1])
    known = list(keys_of(table)) if table else []
    meant, homes = _meant(path), homes_of(str(path[-1]))
    if homes:
        return "the key belongs elsewhere.", f"move it to {' or '.join(homes)}."
    if meant != path:
        return "no such key is known here.", f'did you mean "{meant[-1]}"?'
    return "no such key is known here.", f"delete it; known here are {', '.join(known)}."


def _text(fault: Fault, path: Path) -> tuple[str, str]:
    return "text is needed here.", f"put it in double quotes, such as {example_of(path)}."


def _number(fault: Fault, path: Path) -> tuple[str, str]:
    found = _NUMBER.fullmatch(fault["input"]) if isinstance(fault["input"], str) else None
    if not found:
        return "a number is needed here.", f"write a number, such as {example_of(path)}."
    number = found[1] if found[2] is None else f"{found[1]}.{found[2]}"
    return (
        "a number stands without quotes, with a point and without its unit.",
        f"write {path[-1]} = {number}." if isinstance(path[-1], str) else f"write {number}.",
    )


def _whole_number(fault: Fault, path: Path) -> tuple[str, str]:
    if isinstance(fault["input"], str):
        return _number(fault, path)
    return "a whole number is needed here.", f"write it like {example_of(path)}."


def _yes_or_no(fault: Fault, path: Path) -> tuple[str, str]:
    return "this is a yes or no.", "write true or false, in small letters and without quotes."


def _choice(fault: Fault, path: Path) -> tuple[str, str]:
    expected = str(fault["ctx"]["expected"])
    options = re.findall(r"'([^']*)'", expected)
    if not options:
        return "this version reads only one shape of file.", f"write {path[-1]} = {expected}."
    return "it is none of the words known here.", choose_from(fault["input"], options)


def _bound(words: str, key: str) -> Callable[[Fault, Path], tuple[str, str]]:
    def phrase(fault: Fault, path: Path) -> tuple[str, str]:
        limit = written(fault["ctx"][key])
        return f"it must be {words} {limit}.", f"give a number {words} {limit}."

    return phrase


def _length(words: str, key: str) -> Callable[[Fault, Path], tuple[str, str]]:
    def phrase(fault: Fault, path: Path) -> tuple[str, str]:
        limit = fault["ctx"][key]
        return f"{words} {limit}.", f"write it like {example_of(path)}."

    return phrase


def _empty_text(fault: Fault, path: Path) -> tuple[str, str]:
    return "it must say something.", f"write it out, such as {example_of(path)}."


def _long_text(fault: Fault, path: Path) -> tuple[str, str]:
    limit = fault["ctx"]["max_length"]
    return f"it may have at most {limit} characters.", "shorten it."


def _name(fault: Fault, path: Path) -> tuple[str, str]:
    slug = re.sub(r"[^a-z0-9_-]+", "-", str(fault["input"]).lower()).strip("-_")[:40]
    hint = f'write "{slug}".' if slug else "give it a short name."
    return "a name has only small letters a-z, digits, - and _, and begins with neither.", hint


def _list(fault: Fault, path: Path) -> tuple[str, str]:
    if table_at(path) and len(path) == 1 and isinstance(fault["input"], dict):
        return (
            "it is given several times, so its name stands in double brackets.",
            f"write [[{path[0]}]] each time.",
        )
    return "a list is needed here.", f"write it in square brackets, such as {example_of(path)}."


def _table(fault: Fault, path: Path) -> tuple[str, str]:
    return "several entries belong together here.", f"write it like {example_of(path)}."


def _date(fault: Fault, path: Path) -> tuple[str, str]:
    return (
        "a date is needed here, without quotes and without a time of day.",
        "write it like 2026-05-04.",
    )


def _too_large(fault: Fault, path: Path) -> tuple[str, str]:
    return "the number is far too large.", f"write it like {example_of(path)}."


def _not_finite(fault: Fault, path: Path) -> tuple[str, str]:
    return "a number with an end is needed here.", "write a number, or delete the line."


def _complaint(fault: Fault, path: Path) -> tuple[str, str]:
    return str(fault["ctx"]["wrong"]), str(fault["ctx"]["fix"])


def _otherwise(fault: Fault, path: Path) -> tuple[str, str]:
    return f"{fault['msg']}.", f"write it like {example_of(path)}."


_PHRASES: Final[Mapping[str, Callable[[Fault, Path], tuple[str, str]]]] = {
    COMPLAINT: _complaint,
    "missing": _missing,
    "extra_forbidden": _unknown_key,
    "string_type": _text,
    "string_too_short": _empty_text,
    "string_too_long": _long_text,
    "string_pattern_mismatch": _name,
    "int_type": _whole_number,
    "int_from_float": _whole_number,
    "int_parsing_size": _too_large,
    "float_type": _number,
    "finite_number": _not_finite,
    "bool_type": _yes_or_no,
    "literal_error": _choice,
    "greater_than": _bound("above", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "less_than": _bound("below", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "tuple_type": _list,
    "too_short": _length("its length must be at least", "min_length"),
    "too_long": _length("its length may be at most", "max_length"),
    "model_type": _table,
    "date_type": _date,
}
