"""Kinds of field a protocol file is made of: texts, names, numbers, units, clock times."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from datetime import datetime, time
from difflib import get_close_matches
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from trialkit.domain.units import find_unit, known_units
from trialkit.errors import RequestError

COMPLAINT: Final = "complaint"
_CLOCK: Final = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")


def complaint(wrong: str, fix: str) -> PydanticCustomError:
    """A fault of one field that carries its own reason and mend."""
    return PydanticCustomError(COMPLAINT, "{wrong}", {"wrong": wrong, "fix": fix})


def choose_from(found: object, options: Collection[str]) -> str:
    """How to mend a name that is not among the options: the nearest one first.

    Examples
    --------
    >>> choose_from("heighest", ("higher", "lower"))
    'did you mean "higher"? Known are: higher, lower.'
    """
    near = get_close_matches(str(found).lower(), options, n=1, cutoff=0.5)
    listed = ", ".join(options)
    return f'did you mean "{near[0]}"? Known are: {listed}.' if near else f"use one of {listed}."


def one_of(options: Collection[str]) -> Callable[[str], str]:
    """A check that a text is one of some names held elsewhere in the package."""

    def check(text: str) -> str:
        if text not in options:
            raise complaint("it is not one of the names known here.", choose_from(text, options))
        return text

    return check


class Table(BaseModel):
    """One table of the file: no unknown keys, no silent conversion, never changed once read."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        str_strip_whitespace=True,
    )


def _printable(text: str) -> str:
    if _CONTROL.search(text):
        raise complaint(
            "it holds control characters that no page or card can print.", "retype the text."
        )
    return text


def _one_line(text: str) -> str:
    if "\n" in text:
        raise complaint("it must fit on one line.", "take the line breaks out.")
    return text


def _known_unit(text: str) -> str:
    try:
        return find_unit(text).symbol
    except RequestError:
        raise complaint("it is not a unit known here.", choose_from(text, known_units())) from None


def _known_zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):  # what zoneinfo raises differs between platforms
        raise complaint("it is not a time zone of the IANA database.", _zone_hint(text)) from None
    return text


def _zone_hint(text: str) -> str:
    from zoneinfo import available_timezones

    zones = sorted(available_timezones())
    near = get_close_matches(text, zones, n=1, cutoff=0.6)
    city = [z for z in zones if text and z.rsplit("/", 1)[-1].lower() == text.strip().lower()]
    if city or near:
        return f'did you mean "{(city or near)[0]}"?'
    return 'name it by area and city, such as "Europe/Berlin", or use "UTC".'


def _clock(value: object) -> object:
    if isinstance(value, time) and value == value.replace(second=0, microsecond=0):
        return value
    found = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    if found is None:
        raise complaint("it is not a time of day.", 'write hours and minutes, such as "07:15".')
    return time(int(found[1]), int(found[2]))


def _iso_time(text: str) -> str:
    for reader in (time.fromisoformat, datetime.fromisoformat):
        try:
            reader(text)
        except ValueError:
            continue
        return text
    raise complaint("it is not an ISO time.", 'write it like "16:10:00" or "2026-05-04T16:10:00".')


Text = Annotated[str, Field(max_length=20_000), AfterValidator(_printable)]
"""Free text, several lines if wished; may be empty."""

NeededText = Annotated[str, Field(min_length=1, max_length=20_000), AfterValidator(_printable)]
"""Free text that must say something."""

Label = Annotated[
    str, Field(min_length=1, max_length=200), AfterValidator(_one_line), AfterValidator(_printable)
]
"""Words for people on one line."""

ShortText = Annotated[
    str, Field(max_length=200), AfterValidator(_one_line), AfterValidator(_printable)
]
"""Words on one line; may be empty."""

Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)]
"""A short name for files and tables: small letters, digits, - and _."""

UnitName = Annotated[str, Field(min_length=1), AfterValidator(_known_unit)]
"""A unit of measurement."""

ZoneName = Annotated[str, AfterValidator(_known_zone)]
"""A time zone of the IANA database."""

ClockTime = Annotated[
    time,
    BeforeValidator(_clock),
    WithJsonSchema({"type": "string", "pattern": r"^([01]\d|2[0-3]):[0-5]\d$"}),
]
"""A time of day, written "16:00"."""

IsoTime = Annotated[str, AfterValidator(_iso_time)]
"""A time of day or a date with time, as ISO 8601 writes them."""

Positive = Annotated[float, Field(gt=0, le=1e9)]
"""A number above zero."""

NotNegative = Annotated[float, Field(ge=0, le=1e9)]
"""Zero or a number above it."""
