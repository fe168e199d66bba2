import pytest

from trialkit.errors import JournalError
from trialkit.journal import Kind, canonical_json, payload_of, read_record, sha256_hex
from trialkit.journal.kinds import RECORD_OF, find_kind

SHA = "a" * 64
SESSION = {
    "phase": "trial",
    "session": 1,
    "starts": "2026-03-01T07:15:00+01:00",
    "time_zone": "Europe/Berlin",
    "periods": [{"number": 1, "starts": "2026-03-01T07:15:00+01:00"}],
}
VALID = {
    Kind.TRIAL_CREATED: {"trial_id": "t"},
    Kind.PROTOCOL_FROZEN: {"sha256": sha256_hex("x\n"), "text": "x\n"},
    Kind.PROTOCOL_AMENDED: {
        "version": 2,
        "sha256": sha256_hex("y"),
        "text": "y",
        "differences": ["blocks: 4 to 6"],
        "reason": "noisier than planned",
    },
    Kind.SEQUENCE_SEALED: {
        "commitment": SHA,
        "protocol_sha256": SHA,
        "scheme": "randomised-pairs",
        "count": 1,
        "envelopes": ["AAAA"],
        "closing": "AAAA",
        "key": "AAAA",
    },
    Kind.PERIOD_OPENED: {
        "period": 1,
        "block": 1,
        "position": 1,
        "session": 1,
        "condition": "with",
    },
    Kind.RESULT: {"period": 1, "outcome": "power", "value": 300, "unit": "W"},
    Kind.RECORDING_STORED: {"sha256": SHA, "name": "a.fit", "format": "fit", "integrity": "ok"},
    Kind.MEASURED: {"period": 1, "outcome": "power", "unit": "W", "value": 300.5},
    Kind.DEVIATION: {"period": 1, "what": "missed", "reason": "travel"},
    Kind.DELIVERED: {"period": 1, "condition": "with"},
    Kind.EXPECTATION: {"person": "athlete", "expects": "with"},
    Kind.GUESS: {"person": "athlete", "period": 1, "condition": None},
    Kind.HARM: {"what": "dizzy", "grade": "mild"},
    Kind.COVARIATE: {"period": 1, "name": "sleep", "value": 7.5, "unit": "h"},
    Kind.EXCLUSION: {"period": 1, "reason": "puncture", "late": False},
    Kind.NOTE: {"text": "windy"},
    Kind.ANALYSIS_OPENED: {"purpose": "final analysis"},
    Kind.LOOK: {"blocks": 4, "declared": True},
    Kind.SCHEDULE: {"revision": 1, "sessions": [SESSION]},
    Kind.WITHDRAWAL: {},
}
OPTIONAL = {
    Kind.SEQUENCE_SEALED: {"key"},
    Kind.MEASURED: {"value"},
    Kind.COVARIATE: {"unit"},
}


def test_every_kind_has_its_record():
    assert set(RECORD_OF) == set(Kind) == set(VALID)


@pytest.mark.parametrize("kind", Kind)
def test_a_stored_payload_reads_back_to_the_same_record(kind):
    record = read_record(kind, VALID[kind])
    assert read_record(kind, payload_of(record)) == record
    assert canonical_json(payload_of(record))


@pytest.mark.parametrize("kind", [k for k in Kind if VALID[k]])
def test_every_required_field_is_missed_by_name(kind):
    required = set(VALID[kind]) - OPTIONAL.get(kind, set())
    with pytest.raises(JournalError) as caught:
        read_record(kind, {})
    assert {p.where for p in caught.value.problems} == {f"{kind}.{name}" for name in required}


@pytest.mark.parametrize("kind", Kind)
def test_an_unknown_field_is_refused(kind):
    with pytest.raises(JournalError, match="no such field"):
        read_record(kind, {**VALID[kind], "colour": "red"})


@pytest.mark.parametrize(
    ("kind", "field", "value"),
    [
        (Kind.RESULT, "period", 0),
        (Kind.RESULT, "period", True),
        (Kind.RESULT, "period", 1.0),
        (Kind.RESULT, "value", float("nan")),
        (Kind.RESULT, "value", "300"),
        (Kind.RESULT, "value", True),
        (Kind.RESULT, "outcome", "  "),
        (Kind.RESULT, "phase", "warm-up"),
        (Kind.RECORDING_STORED, "sha256", "A" * 64),
        (Kind.RECORDING_STORED, "accepted_damaged", 1),
        (Kind.SEQUENCE_SEALED, "envelopes", ["not base64!"]),
        (Kind.SEQUENCE_SEALED, "envelopes", "AAAA"),
        (Kind.DEVIATION, "moved_to", "1.3.2026"),
        (Kind.DEVIATION, "what", "forgotten"),
        (Kind.GUESS, "certainty", 1.2),
        (Kind.HARM, "grade", 3),
        (Kind.SCHEDULE, "sessions", [{**SESSION, "starts": "2026-03-01T07:15:00"}]),
        (Kind.SCHEDULE, "sessions", [{"session": 1}]),
        (Kind.MEASURED, "settings", [1]),
        (Kind.COVARIATE, "value", None),
        (Kind.ANALYSIS_OPENED, "periods", [0]),
    ],
)
def test_a_wrong_field_is_named(kind, field, value):
    with pytest.raises(JournalError) as caught:
        read_record(kind, {**VALID[kind], field: value})
    assert [p.where for p in caught.value.problems] == [f"{kind}.{field}"]
    assert "this field wants" in str(caught.value)


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        (Kind.MEASURED, {"reason": "no heart rate strap"}),
        (Kind.MEASURED, {"value": None}),
        (Kind.PROTOCOL_FROZEN, {"text": "x\r\n"}),
        (Kind.PROTOCOL_AMENDED, {"text": "Y"}),
        (Kind.SEQUENCE_SEALED, {"count": 2}),
        (Kind.SEQUENCE_SEALED, {"keyholder": "somebody"}),
        (Kind.SEQUENCE_SEALED, {"key": None}),
    ],
)
def test_fields_that_contradict_each_other_are_refused(kind, changes):
    with pytest.raises(JournalError):
        read_record(kind, VALID[kind] | changes)


def test_all_problems_come_at_once():
    with pytest.raises(JournalError) as caught:
        read_record(Kind.RESULT, {"period": 0, "outcome": "", "colour": 1})
    assert len(caught.value.problems) == 5


def test_an_unknown_kind_is_refused():
    with pytest.raises(JournalError, match="not a kind of entry"):
        find_kind("opinion")
