import io
import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.errors import JournalError
from trialkit.journal import Draft, Entry, Journal, Kind, canonical_json, sha256_hex

AT = datetime(2026, 3, 1, tzinfo=UTC)


def test_an_entry_just_written_equals_the_one_read_later(write, path):
    written = write("note", text="windy, 12 °C")
    with Journal.open(path) as again:
        assert again.entries()[-1] == written
        assert again.head == written.hash == write.journal.head


def test_the_first_entry_names_the_trial(write, path, at):
    first = write.journal.entries()[0]
    assert (first.number, first.kind, first.payload) == (
        1,
        Kind.TRIAL_CREATED,
        {"trial_id": "invented-1"},
    )
    assert first.previous == "0" * 64
    assert first.at == at
    assert write.journal.trial_id == "invented-1"


def test_the_form_of_the_hash_is_fixed(write):
    # Written out by hand from the description: journals of today have to verify for ever.
    text = (
        '{"at_utc":"2026-03-01T06:15:00.000000Z","corrects":null,"kind":"trial-created",'
        '"number":1,"offset_min":60,"payload":{"trial_id":"invented-1"},"previous":"'
        + "0" * 64
        + '","reason":null,"who":"coach"}'
    )
    assert write.journal.entries()[0].hash == sha256_hex(text)


def test_each_entry_is_tied_to_the_one_before(write):
    for i in range(3):
        write("note", text=str(i))
    entries = write.journal.entries()
    assert [e.previous for e in entries[1:]] == [e.hash for e in entries[:-1]]
    assert len({e.hash for e in entries}) == len(entries)


@given(
    st.datetimes(
        min_value=AT.replace(year=1990, tzinfo=None), max_value=AT.replace(year=2090, tzinfo=None)
    ),
    st.integers(-14 * 60, 14 * 60),
)
@settings(max_examples=50, derandomize=True, deadline=None)
def test_the_instant_comes_back_to_the_microsecond_with_its_offset(moment, offset_min):
    from trialkit.journal.entries import make_entry

    at = moment.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    entry = make_entry(Draft("trial-created", {"trial_id": "t"}), None, at=at, who="x")
    assert entry.at == at
    assert entry.at.utcoffset() == at.utcoffset()
    assert entry.at_utc == at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@pytest.mark.parametrize(
    "wrong",
    [
        {"at": AT.replace(tzinfo=None)},
        {"at": AT.replace(tzinfo=timezone(timedelta(seconds=90)))},
        {"who": " "},
        {"reason": "no entry named"},
        {"corrects": 1},
        {"corrects": 1, "reason": " "},
        {"reason": " "},
        {"kind": "opinion"},
        {"payload": {"text": 3}},
        {"payload": {"text": "\ud800"}},
    ],
)
def test_a_wrong_entry_leaves_the_journal_as_it_was(write, at, wrong):
    before = write.journal.entries()
    arguments = {"kind": "note", "payload": {"text": "x"}, "at": at, "who": "coach"} | wrong
    with pytest.raises(JournalError):
        write.journal.append(**arguments)
    assert write.journal.entries() == before
    assert write.journal.verify() == ()


def test_a_batch_is_added_as_a_whole_or_not_at_all(write, at):
    good, bad = Draft("note", {"text": "good"}), Draft("result", {"period": 0})
    with pytest.raises(JournalError):
        write.journal.append_all([good, bad], at=at, who="coach")
    assert len(write.journal.entries()) == 1
    added = write.journal.append_all([good, good], at=at, who="coach")
    assert [e.number for e in added] == [2, 3]


def test_the_entries_of_a_batch_know_of_each_other(write, at):
    write.start()
    write.open(1)
    result = Draft("result", {"period": 1, "outcome": "power", "value": 1.0, "unit": "W"})
    with pytest.raises(JournalError, match="says it already"):
        write.journal.append_all([result, result], at=at, who="coach")


def test_an_error_in_the_middle_of_writing_undoes_the_batch(write, at, monkeypatch):
    insert = Journal._insert

    def fail_on_third(journal: Journal, entry: Entry) -> None:
        if entry.number == 3:
            raise KeyboardInterrupt
        insert(journal, entry)

    monkeypatch.setattr(Journal, "_insert", fail_on_third)
    with pytest.raises(KeyboardInterrupt):
        write.journal.append_all([Draft("note", {"text": "x"})] * 2, at=at, who="coach")
    monkeypatch.undo()
    assert len(write.journal.entries()) == 1
    assert write("note", text="goes on").number == 2


def test_entries_of_one_kind(write):
    write("note", text="a")
    write("harm", what="sore knee", grade="mild")
    assert [e.kind for e in write.journal.entries("harm")] == [Kind.HARM]
    with pytest.raises(JournalError):
        write.journal.entries("opinion")


def test_what_another_program_adds_is_seen(write, path, at):
    with Journal.open(path) as other:
        other.append("note", {"text": "from elsewhere"}, at=at, who="athlete")
    assert [e.who for e in write.journal.entries()] == ["coach", "athlete"]
    assert write("note", text="next").number == 3


def test_the_export_holds_every_entry_with_a_hash_that_can_be_checked(write):
    write("note", text="ü")
    stream = io.StringIO()
    write.journal.export_jsonl(stream)
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert len(lines) == 2
    for line in lines:
        hash_ = line.pop("hash")
        assert sha256_hex(canonical_json(line)) == hash_


def test_a_backup_is_a_journal_that_verifies(write, tmp_path):
    write("note", text="x")
    copy = tmp_path / "copy.db"
    write.journal.backup(copy)
    with Journal.open(copy) as journal:
        assert journal.verify(known_head=write.journal.head) == ()
        assert journal.entries() == write.journal.entries()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.db", "trial.db"]


def test_a_backup_never_writes_over_anything(write, path, tmp_path):
    with pytest.raises(JournalError, match="never writes over"):
        write.journal.backup(path)
    with pytest.raises(JournalError):
        write.journal.backup(tmp_path / "no such folder" / "copy.db")
