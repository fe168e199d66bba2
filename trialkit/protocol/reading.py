"""From a protocol file to a protocol that is right, or to everything that is wrong with it."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from trialkit.errors import Problem, ProtocolError
from trialkit.protocol.findings import Finding, to_problems
from trialkit.protocol.lines import key_lines
from trialkit.protocol.phrasing import findings_of
from trialkit.protocol.relations import relation_findings, right_parts
from trialkit.protocol.schema import Protocol
from trialkit.protocol.syntax import read_toml

LARGEST_FILE: Final = 1024 * 1024
_BOM: Final = "\N{ZERO WIDTH NO-BREAK SPACE}"
_UTF16: Final = (b"\xff\xfe", b"\xfe\xff")


def load(path: Path) -> Protocol:
    """Read a protocol file.

    Raises
    ------
    ProtocolError
        With every problem of the file, each with its line, field, reason and mend.
    """
    return loads(read_protocol_text(path), where=path.name)


def loads(text: str, *, where: str) -> Protocol:
    """Read a protocol from its text; ``where`` names it in problems.

    Raises
    ------
    ProtocolError
        With every problem of the text.
    """
    text = text.removeprefix(_BOM)
    if not text.strip():
        raise ProtocolError(_empty(where))
    try:
        protocol, problems = _read(text, where)
    except RecursionError:
        raise ProtocolError(_too_deep(where)) from None
    if problems or protocol is None:
        raise ProtocolError(sorted(problems, key=lambda p: p.line or 0))
    return protocol


def _read(text: str, where: str) -> tuple[Protocol | None, list[Problem]]:
    reading = read_toml(text, where=where)
    problems = list(reading.problems)
    if reading.data is None:
        return None, problems
    protocol, findings = _judge(reading.data, whole=not problems)
    lines = key_lines(reading.text)
    problems += to_problems(findings, data=reading.data, lines=lines, where=where)
    return protocol, problems


def _judge(data: dict[str, Any], *, whole: bool) -> tuple[Protocol | None, list[Finding]]:
    """The protocol, and what is wrong with it; of a part of a file, nothing counts as missing."""
    protocol, findings = None, []
    try:
        protocol = Protocol.model_validate(data)
    except ValidationError as error:
        findings = [f for f in findings_of(error) if whole or f.found != "nothing"]
    return protocol, findings + list(relation_findings(right_parts(data)))


def read_protocol_text(path: Path) -> str:
    """The text of a protocol file, unchanged.

    Raises
    ------
    ProtocolError
        When there is no such file, or it is no text in UTF-8 of at most 1 MiB.
    """
    where = path.name or str(path)
    if path.is_dir():
        raise ProtocolError(_not_a_file(where, "a folder", f"name the file: {path}/protocol.toml."))
    if not path.exists():
        raise ProtocolError(
            _not_a_file(where, "no such file", "check the name, or begin with trialkit new.")
        )
    if not path.is_file():
        raise ProtocolError(_not_a_file(where, "no ordinary file", "give the protocol file."))
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except OSError as error:
        reason = error.strerror or "an error of the disk"
        raise ProtocolError(
            _not_a_file(where, reason.lower(), "make the file readable and try again.")
        ) from error
    return _decode(content, where)


def protocol_sha256(data: bytes) -> str:
    """The SHA-256 of a protocol file's bytes, which freezes it.

    Examples
    --------
    >>> protocol_sha256(b"abc")  # FIPS 180-4, example of one block
    'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'
    """
    return hashlib.sha256(data).hexdigest()


def _decode(content: bytes, where: str) -> str:
    if len(content) > LARGEST_FILE:
        raise ProtocolError(
            _not_a_file(where, "more than 1 MiB", "give the protocol, not a recording or a table.")
        )
    if content.startswith(_UTF16):
        raise ProtocolError(
            _not_a_file(where, "text saved as UTF-16", "save the file again as UTF-8.")
        )
    if b"\x00" in content:
        raise ProtocolError(
            _not_a_file(where, "a binary file", "give the protocol file, a text in TOML.")
        )
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ProtocolError(
            Problem(
                where=where,
                found=f"the byte 0x{content[error.start]:02x}",
                wrong="the text is not saved as UTF-8.",
                fix="save the file again as UTF-8.",
                line=line,
            )
        ) from error


def _not_a_file(where: str, found: str, fix: str) -> Problem:
    return Problem(where=where, found=found, wrong="it is no protocol that can be read.", fix=fix)


def _too_deep(where: str) -> Problem:
    return Problem(
        where=where,
        found="lists or tables nested hundreds of levels deep",
        wrong="no protocol looks like this.",
        fix="begin with a ready protocol: trialkit new.",
    )


def _empty(where: str) -> Problem:
    return Problem(
        where=where,
        found="an empty file",
        wrong="there is nothing to read.",
        fix="begin with a ready protocol: trialkit new.",
    )
