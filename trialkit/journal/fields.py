"""Kinds of field an entry's payload is made of; each takes a raw value and gives the stored one.

A field's rule is a function that returns the value in its stored form or raises `RefusedError` with
what it wants instead. Rules are attached to the payload classes with ``typing.Annotated``.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Callable, Mapping
from datetime import date, datetime
from enum import StrEnum
from math import isfinite
from typing import Annotated, Any

_SHA256 = re.compile(r"[0-9a-f]{64}")


class RefusedError(ValueError):
    """Says what a field wants, to complete the sentence "this field wants ..."."""


Rule = Callable[[object], Any]


def text(raw: object) -> str:
    """Take a text with something in it."""
    if not isinstance(raw, str) or not raw.strip():
        raise RefusedError("some text")
    return str.__str__(raw)


def yes_or_no(raw: object) -> bool:
    """Take true or false."""
    if not isinstance(raw, bool):
        raise RefusedError("true or false")
    return raw


def number(raw: object) -> float:
    """Take a finite number; it is kept as a double."""
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not isfinite(raw):
        raise RefusedError("a finite number")
    return float(raw)


def share(raw: object) -> float:
    """Take a number from 0 to 1."""
    value = number(raw)
    if not 0 <= value <= 1:
        raise RefusedError("a number from 0 to 1")
    return value


def whole(low: int) -> Rule:
    """Make the rule for a whole number of at least ``low``."""

    def rule(raw: object) -> int:
        if isinstance(raw, bool) or not isinstance(raw, int) or raw < low:
            raise RefusedError(f"a whole number of at least {low}")
        return int(raw)

    return rule


def sha256(raw: object) -> str:
    """Take a SHA-256 as 64 lower-case hexadecimal digits."""
    if not isinstance(raw, str) or not _SHA256.fullmatch(raw):
        raise RefusedError("a SHA-256 of 64 lower-case hexadecimal digits")
    return raw


def base64_text(raw: object) -> str:
    """Take bytes written in base64."""
    try:
        base64.b64decode(text(raw), validate=True)
    except (binascii.Error, ValueError):
        raise RefusedError("bytes in base64") from None
    return text(raw)


def iso_date(raw: object) -> str:
    """Take a calendar date, YYYY-MM-DD."""
    try:
        return date.fromisoformat(text(raw)).isoformat()
    except ValueError:
        raise RefusedError("a date, YYYY-MM-DD") from None


def instant(raw: object) -> str:
    """Take a date and time with its offset from UTC, such as 2026-03-01T07:15+01:00."""
    try:
        moment = datetime.fromisoformat(text(raw))
    except ValueError:
        raise RefusedError("a date and time with its offset, YYYY-MM-DDThh:mm+hh:mm") from None
    if moment.tzinfo is None:
        raise RefusedError("a date and time with its offset from UTC")
    return moment.isoformat()


def word_of(words: type[StrEnum]) -> Rule:
    """Make the rule for one word out of a closed set."""

    def rule(raw: object) -> StrEnum:
        try:
            return words(text(raw))
        except ValueError:
            raise RefusedError("one of " + ", ".join(words)) from None

    return rule


def listed(item: Rule) -> Rule:
    """Make the rule for a list whose every item keeps ``item``."""

    def rule(raw: object) -> tuple[Any, ...]:
        if not isinstance(raw, list | tuple):
            raise RefusedError("a list")
        return tuple(item(x) for x in raw)

    return rule


def maybe(inner: Rule) -> Rule:
    """Make the rule for a value that may be missing (None)."""

    def rule(raw: object) -> Any:
        return None if raw is None else inner(raw)

    return rule


def named_values(raw: object) -> dict[str, Any]:
    """Take an object of named values (settings of a measure, say); its content is not looked at."""
    if not isinstance(raw, Mapping) or not all(isinstance(key, str) for key in raw):
        raise RefusedError("an object of named values")
    return dict(raw)


def number_or_text(raw: object) -> float | str:
    """Take a finite number or a text."""
    return text(raw) if isinstance(raw, str) else number(raw)


Text = Annotated[str, text]
YesNo = Annotated[bool, yes_or_no]
Number = Annotated[float, number]
Count = Annotated[int, whole(0)]
Ordinal = Annotated[int, whole(1)]
Sha256 = Annotated[str, sha256]
Base64 = Annotated[str, base64_text]
MaybeText = Annotated[str | None, maybe(text)]
MaybeNumber = Annotated[float | None, maybe(number)]
MaybeShare = Annotated[float | None, maybe(share)]
MaybeCount = Annotated[int | None, maybe(whole(0))]
MaybeOrdinal = Annotated[int | None, maybe(whole(1))]
MaybeSha256 = Annotated[str | None, maybe(sha256)]
MaybeBase64 = Annotated[str | None, maybe(base64_text)]
MaybeInstant = Annotated[str | None, maybe(instant)]
MaybeDate = Annotated[str | None, maybe(iso_date)]
Instant = Annotated[str, instant]
NumberOrText = Annotated[float | str, number_or_text]
NamedValues = Annotated[Mapping[str, Any], named_values]
Texts = Annotated[tuple[str, ...], listed(text)]
Ordinals = Annotated[tuple[int, ...], listed(whole(1))]
MaybeOrdinals = Annotated[tuple[int, ...] | None, maybe(listed(whole(1)))]
Rests = Annotated[tuple[int | None, ...], listed(maybe(whole(0)))]
Base64s = Annotated[tuple[str, ...], listed(base64_text)]
