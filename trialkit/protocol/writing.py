"""A protocol as a clean TOML file: what differs from the defaults, in the order of the schema."""

from __future__ import annotations

from datetime import time
from typing import Any

from pydantic import ValidationError

from trialkit.domain.plans import Plan
from trialkit.errors import ProtocolError
from trialkit.protocol.findings import to_problems
from trialkit.protocol.phrasing import findings_of
from trialkit.protocol.reading import loads
from trialkit.protocol.schema import Protocol
from trialkit.protocol.unmapping import tables_of

_NAME = "protocol to be written"


def to_toml(source: Protocol | Plan) -> str:
    """The text of a protocol file that gives this protocol or plan.

    Raises
    ------
    ProtocolError
        When a plan breaks a rule of the protocol file.
    """
    protocol = source if isinstance(source, Protocol) else _protocol_of(source)
    text = _rendered(_tidied(protocol.model_dump(by_alias=True, exclude_defaults=True)))
    loads(text, where=_NAME)  # a written file is one that reads
    return text


def _protocol_of(plan: Plan) -> Protocol:
    tables = tables_of(plan)
    try:
        return Protocol.model_validate(tables)
    except ValidationError as error:
        findings = findings_of(error)
        problems = to_problems(findings, data=tables, lines={}, where=_NAME)
        raise ProtocolError(problems) from error


def _tidied(value: Any) -> Any:
    """Clock times as texts, and no empty tables."""
    if isinstance(value, dict):
        tidied = {key: _tidied(item) for key, item in value.items() if item is not None}
        return {key: item for key, item in tidied.items() if item != {}}
    if isinstance(value, list | tuple):
        return [_tidied(item) for item in value]
    return value.strftime("%H:%M") if isinstance(value, time) else value


def _rendered(tables: dict[str, Any]) -> str:
    import tomlkit

    document = tomlkit.document()
    for name, value in tables.items():
        if isinstance(value, list):
            several = tomlkit.aot()
            for item in value:
                several.append(_table(item))
            document.add(name, several)
        else:
            document.add(name, _table(value) if isinstance(value, dict) else tomlkit.item(value))
    return tomlkit.dumps(document)


def _table(entries: dict[str, Any]) -> Any:
    import tomlkit

    table = tomlkit.table()
    for key, value in entries.items():
        table.add(key, _item(value))
    return table


def _item(value: Any) -> Any:
    import tomlkit

    if isinstance(value, str):
        return tomlkit.string(value, multiline="\n" in value)
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        inline.update({key: tomlkit.item(item) for key, item in value.items()})
        return inline
    if isinstance(value, list):
        array = tomlkit.array()
        array.extend(_item(item) for item in value)
        return array.multiline(any(isinstance(item, dict) for item in value))
    return tomlkit.item(value)
