"""Secrets as codes that people read out and type: base32 with two check characters.

The alphabet leaves out I, L, O and U; when read, O counts as 0, and I and L as 1. Case, blanks and
hyphens do not matter. The two check characters are the code, read as a number in base 32, times 32
squared, brought to a remainder of 1 modulo 1021, the largest prime below 32 squared: a pure system
in the manner of ISO/IEC 7064 with a modulus of our own. As 1021 is prime and larger than 32, every
single mistyped character and every swap of two neighbours is found.
"""

from __future__ import annotations

from typing import Final

from trialkit.errors import JournalError, Problem

CODE_BYTES: Final = 10
_ALPHABET: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_READ_AS: Final = str.maketrans("OIL", "011", " -\t")
_MODULUS: Final = 1021
_CHECKS: Final = 2
_GROUP: Final = 4


def write_code(secret: bytes) -> str:
    """Write a secret as a code, in groups of four characters.

    Examples
    --------
    >>> write_code(bytes(range(10)))
    '000G-40R4-0M30-E209-FA'
    """
    length = _length(len(secret))
    body = int.from_bytes(secret) << (5 * length - 8 * len(secret))
    check = (1 - body * 32**_CHECKS) % _MODULUS
    digits = _digits(body, length) + _digits(check, _CHECKS)
    return "-".join(digits[i : i + _GROUP] for i in range(0, len(digits), _GROUP))


def read_code(code: str, size: int = CODE_BYTES) -> bytes:
    """Read a code of ``size`` bytes back.

    Raises
    ------
    JournalError
        When its length is wrong, it holds a character that codes do not use, or its check
        characters show a mistyped one.
    """
    typed = code.upper().translate(_READ_AS)
    length = _length(size)
    if len(typed) != length + _CHECKS:
        raise _mistyped(f"{len(typed)} characters", f"a code has {length + _CHECKS}.")
    strange = sorted(set(typed) - set(_ALPHABET))
    if strange:
        raise _mistyped(" ".join(strange), "codes do not use it.")
    number = 0
    for character in typed:
        number = number * 32 + _ALPHABET.index(character)
    spare = 5 * length - 8 * size
    body = number >> (5 * _CHECKS)
    if number % _MODULUS != 1 or body % (1 << spare):
        raise _mistyped(code, "its check characters do not fit: a character is wrong.")
    return (body >> spare).to_bytes(size)


def _length(size: int) -> int:
    return -(-8 * size // 5)


def _digits(number: int, length: int) -> str:
    return "".join(_ALPHABET[(number >> (5 * i)) & 31] for i in reversed(range(length)))


def _mistyped(found: str, wrong: str) -> JournalError:
    return JournalError(
        Problem(where="code", found=found, wrong=wrong, fix="type it again from the sheet.")
    )
