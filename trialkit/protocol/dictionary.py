"""What the schema knows about each place in the file: its table, its field, its example."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any, get_args, get_origin

from pydantic.fields import FieldInfo

from trialkit.protocol.fields import Table
from trialkit.protocol.findings import written
from trialkit.protocol.lines import Path
from trialkit.protocol.schema import Protocol


def keys_of(table: type[Table]) -> dict[str, FieldInfo]:
    """The keys of a table as written in the file."""
    return {info.alias or name: info for name, info in table.model_fields.items()}


def table_of(annotation: Any) -> type[Table] | None:
    """The table that an annotation holds: directly, as optional, or as the items of a list."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    parts = get_args(annotation)
    if get_origin(annotation) is Annotated:
        parts = parts[:1]
    return next((found for part in parts if (found := table_of(part))), None)


def is_list(annotation: Any) -> bool:
    """Whether the field holds a list."""
    if get_origin(annotation) is tuple:
        return True
    return any(is_list(part) for part in get_args(annotation))


def table_at(path: Path) -> type[Table] | None:
    """The table at a path, or None where the path leads to no table."""
    table: type[Table] | None = Protocol
    for step in path:
        if isinstance(step, str):
            info = keys_of(table).get(step) if table else None
            table = table_of(info.annotation) if info else None
    return table


def field_at(path: Path) -> FieldInfo | None:
    """The field at a path; a list item has the field of its list."""
    named = [step for step in path if isinstance(step, str)]
    table = table_at(tuple(named[:-1])) if named else None
    return keys_of(table).get(named[-1]) if table else None


def homes_of(key: str) -> tuple[str, ...]:
    """Headers of the tables that know a key."""
    return tuple(header for header, table in _tables() if key in keys_of(table))


def _tables() -> Iterator[tuple[str, type[Table]]]:
    yield "the top of the file, above the first header", Protocol
    for name, info in keys_of(Protocol).items():
        table = table_of(info.annotation)
        if table:
            yield header_of(name), table


def header_of(name: str) -> str:
    """The header of a top table: ``[design]``, or ``[[conditions]]`` for one given several times.

    Examples
    --------
    >>> header_of("conditions"), header_of("design")
    ('[[conditions]]', '[design]')
    """
    info = keys_of(Protocol)[name]
    return f"[[{name}]]" if is_list(info.annotation) else f"[{name}]"


def example_of(path: Path) -> str:
    """A line or header that would be right at a path.

    Examples
    --------
    >>> example_of(("outcomes", 0, "unit")), example_of(("design",))
    ('unit = "W"', '[design]')
    """
    info, key = field_at(path), str(path[-1])
    table = table_of(info.annotation) if info else None
    if info is None:
        return f"{key} = ..."
    if len(path) == 1 and table:
        return header_of(key)
    if table:
        return f"{key} = {_inline(table)}"
    return f"{key} = {_first_example(info)}"


def _inline(table: type[Table]) -> str:
    entries = (
        f"{key} = {_first_example(info)}"
        for key, info in keys_of(table).items()
        if info.is_required()
    )
    return "{ " + ", ".join(entries) + " }"


def _first_example(info: FieldInfo) -> str:
    if not info.examples:
        return '"..."'
    example = info.examples[0]
    is_date = date in (info.annotation, *get_args(info.annotation))
    return str(example) if is_date else written(example)
