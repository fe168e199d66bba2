"""XML activity files read as a stream of elements: no document types, bounded depth."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from typing import Any, Final
from xml.etree.ElementTree import ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import iterparse

from trialkit.errors import UnreadableError
from trialkit.ingest.sources import Source

MAX_DEPTH: Final = 64
# Two days at 1 Hz with twenty elements in a point.
MAX_ELEMENTS: Final = 3_500_000
MAX_TOKEN: Final = 65_536
_LONG_TAG: Final = re.compile(rb"<[^<]{%d}" % MAX_TOKEN)
_OPENED: Final = re.compile(rb"<!--|<\?")


@dataclass(slots=True)
class Element:
    """One finished element: local name, attributes and the texts of its leaves.

    ``leaves`` maps the lower-case local name of a leaf to its text; a leaf called ``value`` goes
    under its parent's name, as heart rate is written in one of the formats.
    """

    name: str
    attributes: dict[str, str]
    leaves: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Fault:
    """How reading stopped before the end of the file."""

    text: str = ""
    truncated: bool = False


def local_name(tag: object) -> str:
    """Local name of a tag: prefixes and namespaces differ from writer to writer."""
    return str(tag).rpartition("}")[2]


def root_name(source: Source) -> str:
    """Local name of the file's outermost element, in lower case; empty when there is none."""
    if b"\0" in source.data[:64]:
        return ""  # two-byte text; the formats are written in UTF-8
    try:
        for _, element in _events(source):
            return local_name(element.tag).lower()
    except DefusedXmlException as error:
        raise _declared(source, error) from error
    except (ParseError, ValueError, LookupError):
        return ""
    return ""


def elements(source: Source, wanted: frozenset[str], fault: Fault) -> Iterator[Element]:
    """Yield each finished element whose lower-case local name is wanted, in file order.

    A malformed or cut file ends the stream and says so in ``fault``; what came before it stands.
    An inner wanted element (a point in a lap) keeps its leaves to itself.

    Raises
    ------
    UnreadableError
        When the file declares a document type or entities, or nests absurdly deep.
    """
    try:
        yield from _finished(source, wanted)
    except DefusedXmlException as error:
        raise _declared(source, error) from error
    except (ParseError, ValueError, LookupError) as error:
        fault.text = f"{type(error).__name__}: {error}"
        fault.truncated = "no element found" in str(error) or "unclosed token" in str(error)


def _declared(source: Source, error: DefusedXmlException) -> UnreadableError:
    return source.refuse(
        f"a document type or entity declaration ({type(error).__name__})",
        "activity files hold none; it can be used to attack the reader.",
        "export the session again from the device or the app.",
    )


def _events(source: Source) -> Iterator[tuple[str, Any]]:
    # Blanks before the declaration are common in exports and not allowed by the standard.
    data = source.data.lstrip(b" \t\r\n\0")
    if fault := _long_token(data):
        raise source.refuse(fault, "no activity file holds that.", "export the session again.")
    yield from iterparse(BytesIO(data), events=("start", "end"), forbid_dtd=True)


def _long_token(data: bytes) -> str | None:
    """Tags and comments of absurd length: older parsers read them over and over again."""
    if _LONG_TAG.search(data):
        return f"{MAX_TOKEN} characters and more without a new element"
    for found in _OPENED.finditer(data):
        end = b"-->" if found.group() == b"<!--" else b"?>"
        if data.find(end, found.end(), found.end() + MAX_TOKEN) < 0 and (
            len(data) > found.end() + MAX_TOKEN
        ):
            return f"a comment or instruction of {MAX_TOKEN} characters and more"
    return None


def _finished(source: Source, wanted: frozenset[str]) -> Iterator[Element]:
    path: list[Any] = []
    open_wanted: list[Element] = []
    for count, (event, element) in enumerate(_events(source)):
        if count == 2 * MAX_ELEMENTS:
            raise ValueError(f"more than {MAX_ELEMENTS} elements; the rest was not read")
        name = local_name(element.tag).lower()
        if event == "start":
            path.append(element)
            if len(path) > MAX_DEPTH:
                raise source.refuse(
                    f"elements nested more than {MAX_DEPTH} deep",
                    "no activity file is built like that.",
                    "export the session again.",
                )
            if name in wanted:
                open_wanted.append(Element(name, dict(element.attrib)))
            continue
        path.pop()
        parent = local_name(path[-1].tag).lower() if path else ""
        if name in wanted:
            yield open_wanted.pop()
        elif open_wanted and element.text and not element.text.isspace():
            open_wanted[-1].leaves.setdefault(parent if name == "value" else name, element.text)
        # Forget what is done with: a long activity must not pile up in memory.
        element.clear()
        if path:
            path[-1].remove(element)
