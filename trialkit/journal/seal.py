"""The seal: a drawn order hidden in envelopes, with a commitment that proves it was not changed.

What it protects from
    *Changing the order afterwards.* The commitment is a SHA-256 over the whole order, the rests,
    the seed, the protocol's hash and 32 secret bytes. Written down or sent to somebody at the
    draw, it proves later that the order is the one that was drawn. Nobody can guess the order from
    it, because of the secret bytes.
    *A glimpse.* Every period lies in its own encrypted envelope, all of one length; opening one
    tells nothing about the others.

What it does not protect from
    With the key in the journal (the default) anybody who has the file and means to look can open
    everything: this keeps an honest person from seeing the order by accident, and no more. Only
    with a keyholder, a second person who alone has the key, is the order out of reach.
    A person who has the file and no commitment elsewhere can draw again and replace all of it.
    The keyholder can look, and whoever drew the order could have drawn it until it pleased.

How it works: an 80-bit code per period is derived from the master key with HMAC-SHA256 (RFC 2104)
and the envelope's key from the code with HKDF-SHA256 (RFC 5869); the envelope is closed with
ChaCha20-Poly1305 (RFC 8439), bound to the protocol's hash and the period's number. The code is all
that is needed for its period, and tells nothing about the other codes or the master key.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from dataclasses import asdict, dataclass
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from trialkit.domain.allocations import Allocation, Period
from trialkit.errors import JournalError, Problem
from trialkit.journal.canonical import canonical_json, sha256_hex
from trialkit.journal.codes import CODE_BYTES, read_code, write_code
from trialkit.journal.records import SequenceSealed

KEY_BYTES = 32
SALT_BYTES = 32
_CLOSING = 0
# Every envelope key is derived for one envelope of one draw and encrypts once, so that the nonce
# need not vary.
_NONCE = bytes(12)


@dataclass(frozen=True, slots=True)
class Seal:
    """A sealed order, holding nothing secret.

    ``envelopes`` are those of the periods from ``first_period`` on, ``closing`` holds seed, method
    and salt and opens only with the master key.
    """

    commitment: str
    protocol_sha256: str
    scheme: str
    first_period: int
    envelopes: tuple[bytes, ...]
    closing: bytes

    @property
    def count(self) -> int:
        """Number of periods in the seal."""
        return len(self.envelopes)

    def open_period(self, n: int, key: bytes) -> Period:
        """Open period ``n`` with the master key.

        Raises
        ------
        JournalError
            When there is no such period here, or the key is not the one it was sealed with.
        """
        return self._open_period(n, self._secret(n, key))

    def open_with_code(self, n: int, code: str) -> Period:
        """Open period ``n`` with that period's code from the keyholder's sheet.

        Raises
        ------
        JournalError
            When the code is mistyped, or is not the code of this period.
        """
        return self._open_period(n, read_code(code))

    def codes(self, key: bytes) -> dict[int, str]:
        """Give the keyholder's sheet: the code of every period, by number."""
        numbers = range(self.first_period, self.first_period + self.count)
        return {n: write_code(self._secret(n, key)) for n in numbers}

    def open_all(self, key: bytes) -> Allocation:
        """Open everything with the master key and check it against the commitment.

        Raises
        ------
        JournalError
            When the key does not fit or the order is not the one that was committed to.
        """
        allocation, salt = self._unseal(key)
        if sha256_hex(statement(allocation, self.protocol_sha256, salt)) != self.commitment:
            raise JournalError(
                Problem(
                    where="commitment",
                    found=f"an order that does not give {self.commitment[:12]}",
                    wrong="it is not the order that was drawn and committed to.",
                    fix="go back to a copy of the trial's folder from before the change.",
                )
            )
        return allocation

    def statement(self, key: bytes) -> str:
        """Give the exact text whose SHA-256 is the commitment, to be checked with any program."""
        allocation, salt = self._unseal(key)
        return statement(allocation, self.protocol_sha256, salt)

    def to_payload(
        self,
        *,
        key: bytes | None = None,
        keyholder: str | None = None,
        reason: str | None = None,
    ) -> dict[str, Any]:
        """Give the payload of a ``sequence-sealed`` entry, with the key or the keyholder's name."""
        return {
            "commitment": self.commitment,
            "protocol_sha256": self.protocol_sha256,
            "scheme": self.scheme,
            "count": self.count,
            "envelopes": [_base64(envelope) for envelope in self.envelopes],
            "closing": _base64(self.closing),
            "first_period": self.first_period,
            "key": None if key is None else _base64(key),
            "keyholder": keyholder,
            "reason": reason,
        }

    @classmethod
    def from_record(cls, record: SequenceSealed) -> Seal:
        """Read the seal back from what the journal holds."""
        return cls(
            commitment=record.commitment,
            protocol_sha256=record.protocol_sha256,
            scheme=record.scheme,
            first_period=record.first_period,
            envelopes=tuple(base64.b64decode(envelope) for envelope in record.envelopes),
            closing=base64.b64decode(record.closing),
        )

    def _unseal(self, key: bytes) -> tuple[Allocation, bytes]:
        closing = _open(self.closing, _CLOSING, self._secret(_CLOSING, key), self.protocol_sha256)
        numbers = range(self.first_period, self.first_period + self.count)
        allocation = Allocation(
            scheme=self.scheme,
            seed=int(closing["seed"]),
            method=closing["method"],
            periods=tuple(self.open_period(n, key) for n in numbers),
        )
        return allocation, bytes.fromhex(closing["salt"])

    def _secret(self, n: int, key: bytes) -> bytes:
        return _secret(n, key, self.commitment)

    def _open_period(self, n: int, secret: bytes) -> Period:
        place = n - self.first_period
        if not 0 <= place < self.count:
            last = self.first_period + self.count - 1
            raise JournalError(
                Problem(
                    where="period",
                    found=f"period {n}",
                    wrong=f"this seal holds periods {self.first_period} to {last}.",
                    fix="name one of them.",
                )
            )
        return Period(**_open(self.envelopes[place], n, secret, self.protocol_sha256))


def seal(allocation: Allocation, *, protocol_sha256: str, key: bytes, salt: bytes) -> Seal:
    """Seal a drawn order.

    Parameters
    ----------
    allocation : the order, its periods numbered without a gap.
    protocol_sha256 : hash of the frozen protocol, in hexadecimal.
    key : 32 random bytes, the master key.
    salt : 32 random bytes, which keep the order from being guessed from the commitment.

    Raises
    ------
    JournalError
        When key or salt have another length, or the periods have a gap.
    """
    first = _check(allocation, key, salt)
    commitment = sha256_hex(statement(allocation, protocol_sha256, salt))

    def closed(n: int, content: dict[str, Any], length: int = 0) -> bytes:
        return _close(content, n, _secret(n, key, commitment), protocol_sha256, length)

    contents = [asdict(period) for period in allocation.periods]
    longest = max(len(canonical_json(content).encode()) for content in contents)
    closing = {"seed": str(allocation.seed), "method": allocation.method, "salt": salt.hex()}
    return Seal(
        commitment=commitment,
        protocol_sha256=protocol_sha256,
        scheme=allocation.scheme,
        first_period=first,
        envelopes=tuple(closed(n, c, longest) for n, c in enumerate(contents, first)),
        closing=closed(_CLOSING, closing),
    )


def statement(allocation: Allocation, protocol_sha256: str, salt: bytes) -> str:
    """Write the text whose SHA-256 is the commitment: canonical JSON, the seed as digits in text.

    (A seed may be longer than the numbers other programs read exactly from JSON.)
    """
    return canonical_json(
        {
            "format": "trialkit sealed sequence 1",
            "protocol_sha256": protocol_sha256,
            "salt": salt.hex(),
            "scheme": allocation.scheme,
            "seed": str(allocation.seed),
            "method": allocation.method,
            "periods": [asdict(period) for period in allocation.periods],
        }
    )


def _secret(n: int, key: bytes, commitment: str) -> bytes:
    # The commitment makes the code belong to this draw: a key used for two draws gives two sheets.
    label = f"trialkit period code 1|{commitment}|{n}".encode()
    return hmac.new(key, label, hashlib.sha256).digest()[:CODE_BYTES]


def _envelope_key(secret: bytes, n: int) -> bytes:
    info = f"trialkit envelope 1|{n}".encode()
    return HKDF(algorithm=SHA256(), length=32, salt=None, info=info).derive(secret)


def _bound_to(n: int, protocol_sha256: str) -> bytes:
    return f"{protocol_sha256}|{n}".encode()


def _close(
    content: dict[str, Any], n: int, secret: bytes, protocol_sha256: str, length: int
) -> bytes:
    # White space after a JSON text means nothing, so it can fill every envelope to one length.
    plain = canonical_json(content).encode().ljust(length)
    cipher = ChaCha20Poly1305(_envelope_key(secret, n))
    return cipher.encrypt(_NONCE, plain, _bound_to(n, protocol_sha256))


def _open(envelope: bytes, n: int, secret: bytes, protocol_sha256: str) -> dict[str, Any]:
    cipher = ChaCha20Poly1305(_envelope_key(secret, n))
    try:
        plain = cipher.decrypt(_NONCE, envelope, _bound_to(n, protocol_sha256))
    except InvalidTag:
        what = f"period {n}" if n else "the closing envelope"
        raise JournalError(
            Problem(
                where="key",
                found=f"a key or code that does not open {what}",
                wrong="it belongs to another period or trial, or the envelope was changed.",
                fix="check the number on the keyholder's sheet, then run verify.",
            )
        ) from None
    content: dict[str, Any] = json.loads(plain)
    return content


def _check(allocation: Allocation, key: bytes, salt: bytes) -> int:
    problems = [
        Problem(name, f"{len(given)} bytes", f"{size} are needed.", f"pass {size} random bytes.")
        for name, given, size in (("key", key, KEY_BYTES), ("salt", salt, SALT_BYTES))
        if len(given) != size
    ]
    numbers = [period.number for period in allocation.periods]
    first = numbers[0] if numbers else 1
    if not numbers or numbers != list(range(first, first + len(numbers))):
        problems.append(
            Problem(
                where="periods",
                found=f"period numbers {numbers}",
                wrong="an order needs at least one period and no gap between their numbers.",
                fix="number the periods one after the other.",
            )
        )
    if problems:
        raise JournalError(problems)
    return first


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")
