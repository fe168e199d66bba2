"""What changed between two versions of a protocol."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from trialkit.protocol.findings import written
from trialkit.protocol.schema import Protocol

_LONGEST_TEXT: Final = 20_000


@dataclass(frozen=True, slots=True)
class Difference:
    """One field that changed: its value before and after as written in the file.

    None where the field was not there or empty, or where it is gone.
    """

    field: str
    before: str | None
    after: str | None


def differences(old: Protocol, new: Protocol) -> tuple[Difference, ...]:
    """Every field that differs, in the order of the file; defaults count as written out.

    Conditions, outcomes and segments are matched by their names, so that a new one in front does
    not make all others look changed.
    """
    before, after = dict(_fields(old)), dict(_fields(new))
    names = dict.fromkeys([*before, *after])
    return tuple(
        Difference(name, _in_full(before.get(name)), _in_full(after.get(name)))
        for name in names
        if before.get(name) != after.get(name)
    )


def _in_full(value: object) -> str | None:
    return None if value is None else written(value, most=_LONGEST_TEXT)


def _fields(protocol: Protocol) -> Iterator[tuple[str, object]]:
    yield from _flat(protocol.model_dump(by_alias=True), ())


def _flat(value: Any, path: tuple[str, ...]) -> Iterator[tuple[str, object]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _flat(item, (*path, key))
    elif isinstance(value, tuple) and any(isinstance(item, dict) for item in value):
        for number, item in enumerate(value, start=1):
            yield from _flat(item, (*path, str(item.get("name", number))))
    elif value not in (None, "", ()):
        yield ".".join(path), value
