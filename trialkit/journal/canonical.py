"""The one way a value is written down before it is hashed.

Canonical form: JSON as in RFC 8259, encoded in UTF-8; keys of every object sorted by Unicode code
point; no white space between tokens; characters beyond ASCII written as they are, control
characters escaped as ``\\uXXXX`` or by their short form; whole numbers in decimal digits; other
numbers in the shortest digits that read back to the same double (Python's ``repr``); no NaN and no
infinity; strings kept exactly as given (no Unicode normalisation), without lone surrogates.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

from trialkit.errors import JournalError, Problem


def canonical_json(value: object) -> str:
    """Write a value in canonical form, so that equal values give equal text and equal hashes.

    Raises
    ------
    JournalError
        When something in it cannot be written down faithfully (NaN, a key that is not text, a
        type that JSON does not know).

    Examples
    --------
    >>> canonical_json({"b": 0.1, "a": ["ü", None, 2]})
    '{"a":["ü",null,2],"b":0.1}'
    """
    plain = _plain(value, "value")
    return json.dumps(
        plain, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":")
    )


def sha256_hex(text: str) -> str:
    """SHA-256 (FIPS 180-4) of a text's UTF-8 bytes, as 64 lower-case hexadecimal digits.

    Examples
    --------
    >>> sha256_hex("abc")[:16]
    'ba7816bf8f01cfea'
    """
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _plain(value: object, where: str) -> Any:
    # bool before int: True is an int to Python. Subclasses (enums, numpy's float64) are cut down
    # to the plain type, or a later version of theirs could print differently.
    match value:
        case None | bool():
            return value
        case str():
            return _text(str.__str__(value), where)
        case int():
            return int(value)
        case float() if isfinite(value):
            return float(value)
        case Mapping():
            return {_key(k, where): _plain(v, f"{where}.{k}") for k, v in value.items()}
        case Sequence() if not isinstance(value, bytes | bytearray):
            return [_plain(v, f"{where}[{i}]") for i, v in enumerate(value)]
        case _:
            raise _refused(where, value, "the journal keeps text, finite numbers and lists only.")


def _key(key: object, where: str) -> str:
    if not isinstance(key, str):
        raise _refused(where, key, "a name has to be text.")
    return _text(str.__str__(key), where)


def _text(text: str, where: str) -> str:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise _refused(where, text, "holds half a character (a lone surrogate).") from None
    return text


def _refused(where: str, found: object, wrong: str) -> JournalError:
    return JournalError(
        Problem(where=where, found=repr(found)[:80], wrong=wrong, fix="mend it or leave it out.")
    )
