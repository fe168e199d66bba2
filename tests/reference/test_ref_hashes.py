"""SHA-256 (FIPS 180-4), HMAC (RFC 2104, 4231), HKDF (RFC 5869), ChaCha20-Poly1305 (RFC 8439)."""

import hashlib
import json
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305

from trialkit.domain.allocations import Allocation, Period
from trialkit.journal import canonical_json, sha256_hex
from trialkit.journal.codes import CODE_BYTES, read_code
from trialkit.journal.seal import seal

VECTORS = json.loads(
    (Path(__file__).parents[2] / "reference_data" / "fips_180_4" / "vectors.json").read_text()
)
KEY, SALT, PROTOCOL = bytes(range(32)), bytes(range(32, 64)), "ab" * 32
PERIOD = Period(1, 1, 1, 1, "with")


def hmac_sha256(key: bytes, message: bytes) -> bytes:
    """RFC 2104, section 2, for keys of at most one block."""
    padded = key.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in padded) + message).digest()
    return hashlib.sha256(bytes(b ^ 0x5C for b in padded) + inner).digest()


def hkdf_sha256(ikm: bytes, salt: bytes, info: bytes, length: int) -> bytes:
    """RFC 5869, section 2."""
    prk = hmac_sha256(salt, ikm)
    okm = block = b""
    for i in range(1, -(-length // 32) + 1):
        block = hmac_sha256(prk, block + info + bytes([i]))
        okm += block
    return okm[:length]


@pytest.mark.parametrize("vector", VECTORS["sha256"], ids=lambda v: v["text"][:10] or "empty")
def test_sha256(vector):
    assert sha256_hex(vector["text"] * vector["repeat"]) == vector["sha256"]


def test_hmac():
    vector = VECTORS["hmac_sha256"]
    mac = hmac_sha256(bytes.fromhex(vector["key"]), vector["message"].encode())
    assert mac.hex() == vector["mac"]


def test_hkdf():
    vector = VECTORS["hkdf_sha256"]
    ikm, salt, info = (bytes.fromhex(vector[name]) for name in ("ikm", "salt", "info"))
    assert hkdf_sha256(ikm, salt, info, vector["length"]).hex() == vector["okm"]


def test_chacha20_poly1305():
    vector = VECTORS["chacha20_poly1305"]
    key, nonce, aad = (bytes.fromhex(vector[name]) for name in ("key", "nonce", "aad"))
    sealed = ChaCha20Poly1305(key).encrypt(nonce, vector["text"].encode(), aad)
    assert sealed.hex().startswith(vector["starts"])
    assert sealed.hex().endswith(vector["tag"])


def test_an_envelope_opens_by_the_published_algorithms_alone():
    # A seal has to be openable for ever, by whoever has the description and the key: here with
    # the formulas above, which were checked against the vectors, and none of the seal's own code.
    closed = seal(
        Allocation("fixed", 1, "m", (PERIOD,)), protocol_sha256=PROTOCOL, key=KEY, salt=SALT
    )
    label = f"trialkit period code 1|{closed.commitment}|1".encode()
    secret = hmac_sha256(KEY, label)[:CODE_BYTES]
    assert read_code(closed.codes(KEY)[1]) == secret
    # RFC 5869, section 2.2: no salt means as many zero bytes as the hash is long.
    key = hkdf_sha256(secret, bytes(32), b"trialkit envelope 1|1", 32)
    plain = ChaCha20Poly1305(key).decrypt(bytes(12), closed.envelopes[0], f"{PROTOCOL}|1".encode())
    assert plain.decode() == canonical_json(
        {
            "number": 1,
            "block": 1,
            "position": 1,
            "session": 1,
            "condition": "with",
            "rest": None,
            "rest_unit": None,
        }
    )
