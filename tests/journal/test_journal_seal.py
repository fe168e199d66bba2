import hashlib
import re
import subprocess
import sys
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.domain.allocations import Allocation, Period
from trialkit.errors import JournalError
from trialkit.journal import Kind, read_record
from trialkit.journal.codes import write_code
from trialkit.journal.records import SequenceSealed
from trialkit.journal.seal import Seal, seal

KEY, SALT, PROTOCOL = bytes(range(32)), bytes(range(32, 64)), "ab" * 32


def allocation(sequence, first=1, seed=7, rest=5):
    periods = tuple(
        Period(
            number=n,
            block=(n + 1) // 2,
            position=2 - n % 2,
            session=n,
            condition=condition,
            rest=None if n == 1 else rest,
            rest_unit=None if n == 1 else "day",
        )
        for n, condition in enumerate(sequence, first)
    )
    return Allocation("randomised-pairs", seed, "draw-1", periods)


ORDER = allocation(["with", "without a long warm-up", "without a long warm-up", "with"])


@pytest.fixture
def closed() -> Seal:
    return seal(ORDER, protocol_sha256=PROTOCOL, key=KEY, salt=SALT)


@given(
    st.lists(st.sampled_from(["with", "ohne-ü", "c"]), min_size=1, max_size=8),
    st.integers(1, 5),
    st.integers(0, 2**128),
    st.binary(min_size=32, max_size=32),
)
@settings(max_examples=50, derandomize=True, deadline=None)
def test_what_was_sealed_comes_out(sequence, first, seed, key):
    order = allocation(sequence, first, seed)
    closed = seal(order, protocol_sha256=PROTOCOL, key=key, salt=SALT)
    assert closed.open_all(key) == order
    for period in order.periods:
        assert closed.open_period(period.number, key) == period
        assert closed.open_with_code(period.number, closed.codes(key)[period.number]) == period


def test_the_commitment_can_be_checked_with_another_program(closed):
    program = "import hashlib, sys; print(hashlib.sha256(sys.stdin.buffer.read()).hexdigest())"
    text = closed.statement(KEY)
    done = subprocess.run(
        [sys.executable, "-c", program], input=text.encode(), capture_output=True, check=True
    )
    assert done.stdout.decode().strip() == closed.commitment
    assert '"seed":"7"' in text
    assert '"rest":5' in text


@pytest.mark.parametrize(
    "other",
    [
        {"allocation": allocation(["without a long warm-up", "with", "with", "with"])},
        {"allocation": allocation(ORDER.sequence, seed=8)},
        {"allocation": allocation(ORDER.sequence, rest=6)},
        {"allocation": replace(ORDER, method="draw-2")},
        {"protocol_sha256": "ac" * 32},
        {"salt": bytes(32)},
    ],
)
def test_the_commitment_covers_everything(closed, other):
    given_ = {"allocation": ORDER, "protocol_sha256": PROTOCOL, "key": KEY, "salt": SALT} | other
    assert seal(given_.pop("allocation"), **given_).commitment != closed.commitment


def test_a_seal_tells_nothing_by_its_looks(closed):
    assert len({len(e) for e in closed.envelopes}) == 1
    assert len(set(closed.envelopes)) == len(closed.envelopes)
    held = repr(closed.to_payload(keyholder="x"))
    assert not re.search("with(out)?", held.replace("'scheme'", ""))
    assert not any(word in b"".join(closed.envelopes) for word in (b"with", b"condition"))


def test_a_swapped_envelope_does_not_open(closed):
    first, second, *rest = closed.envelopes
    swapped = replace(closed, envelopes=(second, first, *rest))
    with pytest.raises(JournalError, match="does not open period 1"):
        swapped.open_period(1, KEY)


@pytest.mark.parametrize("place", [0, 40, -1])
def test_a_changed_envelope_does_not_open(closed, place):
    raw = bytearray(closed.envelopes[0])
    raw[place] ^= 1
    changed = replace(closed, envelopes=(bytes(raw), *closed.envelopes[1:]))
    with pytest.raises(JournalError):
        changed.open_period(1, KEY)
    with pytest.raises(JournalError):
        changed.open_all(KEY)


def test_another_order_under_the_same_key_is_found_by_the_commitment(closed):
    # The forger has the key and draws until the order pleases, but keeps the old commitment: the
    # codes hang on the commitment, so the new envelopes are closed under the old one by hand.
    forged = allocation(["with", "with", "without a long warm-up", "without a long warm-up"])
    import trialkit.journal.seal as module

    secrets = [module._secret(n, KEY, closed.commitment) for n in range(1, 5)]
    envelopes = tuple(
        module._close(module.asdict(p), p.number, s, PROTOCOL, 0)
        for p, s in zip(forged.periods, secrets, strict=True)
    )
    with pytest.raises(JournalError, match="not the order that was drawn"):
        replace(closed, envelopes=envelopes).open_all(KEY)


def test_a_code_opens_its_own_period_only(closed):
    codes = closed.codes(KEY)
    assert len(set(codes.values())) == 4
    with pytest.raises(JournalError, match="does not open period 2"):
        closed.open_with_code(2, codes[1])
    with pytest.raises(JournalError, match="check characters"):
        closed.open_with_code(1, codes[1][:-1] + ("A" if codes[1][-1] != "A" else "B"))


def test_the_same_key_used_for_two_draws_gives_two_sheets(closed):
    again = seal(ORDER, protocol_sha256=PROTOCOL, key=KEY, salt=bytes(32))
    assert set(again.codes(KEY).values()).isdisjoint(closed.codes(KEY).values())
    assert set(again.envelopes).isdisjoint(closed.envelopes)


def test_another_key_opens_nothing(closed):
    with pytest.raises(JournalError):
        closed.open_all(bytes(32))
    with pytest.raises(JournalError):
        closed.open_with_code(1, write_code(bytes(10)))


@pytest.mark.parametrize("n", [0, -1, 5])
def test_a_period_outside_the_seal_is_refused(closed, n):
    with pytest.raises(JournalError, match="periods 1 to 4"):
        closed.open_period(n, KEY)


@pytest.mark.parametrize("held_by", [{"key": KEY}, {"keyholder": "a second person"}])
def test_a_seal_comes_back_from_the_journal(closed, held_by):
    record = read_record(Kind.SEQUENCE_SEALED, closed.to_payload(**held_by))
    assert isinstance(record, SequenceSealed)
    assert Seal.from_record(record) == closed


def test_with_a_keyholder_the_payload_holds_no_key(closed):
    payload = closed.to_payload(keyholder="a second person")
    assert payload["key"] is None
    assert not {KEY.hex(), SALT.hex()} & {str(v) for v in payload.values()}


@pytest.mark.parametrize(
    "wrong", [{"key": b"short"}, {"salt": b""}, {"allocation": replace(ORDER, periods=())}]
)
def test_what_cannot_be_sealed_is_refused(wrong):
    given_ = {"allocation": ORDER, "protocol_sha256": PROTOCOL, "key": KEY, "salt": SALT} | wrong
    with pytest.raises(JournalError):
        seal(given_.pop("allocation"), **given_)


def test_a_gap_in_the_numbers_is_refused():
    gap = replace(ORDER, periods=(ORDER.periods[0], ORDER.periods[2]))
    with pytest.raises(JournalError, match="no gap"):
        seal(gap, protocol_sha256=PROTOCOL, key=KEY, salt=SALT)


def test_the_form_of_the_commitment_is_fixed():
    # Written out by hand from the description, so that a change of form cannot go unseen: an old
    # commitment has to be provable for ever.
    order = Allocation("fixed", 3, "m", (Period(1, 1, 1, 1, "ü"),))
    text = (
        '{"format":"trialkit sealed sequence 1","method":"m","periods":[{"block":1,"condition":"ü",'
        '"number":1,"position":1,"rest":null,"rest_unit":null,"session":1}],"protocol_sha256":"'
        + PROTOCOL
        + '","salt":"'
        + SALT.hex()
        + '","scheme":"fixed","seed":"3"}'
    )
    closed = seal(order, protocol_sha256=PROTOCOL, key=KEY, salt=SALT)
    assert closed.commitment == hashlib.sha256(text.encode()).hexdigest()
