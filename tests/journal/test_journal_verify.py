import io
import json
import re
import sqlite3
from contextlib import closing

import pytest

from trialkit.errors import JournalError
from trialkit.journal import Entry, Journal, canonical_json, store
from trialkit.journal.entries import COLUMNS


@pytest.fixture
def book(write, path):
    write.start()
    for period in (1, 2):
        write.open(period)
        write.result(period, 300.0 + period)
    write("note", text="last")
    write.journal.close()
    return path


def tamper(path, *statements):
    """Change the file as somebody who knows the guards: they are put back afterwards."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for name in store.SCHEMA:
            if name != "entry":
                db.execute(f"DROP TRIGGER {name}")
        db.execute("PRAGMA ignore_check_constraints = ON")
        for statement in statements:
            db.execute(*([statement] if isinstance(statement, str) else statement))
        for name, sql in store.SCHEMA.items():
            if name != "entry":
                db.execute(sql)


def verify(path, **known):
    with Journal.open(path) as journal:
        return journal.verify(**known)


def first_named(problems):
    return int(re.search(r"entry (\d+)", problems[0].where)[1])


def rehash(path, number, column, value):
    """Change a column of an entry and give it a hash that fits."""
    query = f"SELECT {', '.join(COLUMNS)} FROM entry WHERE number = ?"
    with closing(sqlite3.connect(path)) as db:
        values = dict(zip(COLUMNS, db.execute(query, (number,)).fetchone(), strict=True))
    values["payload"] = json.loads(values["payload"])
    changed = Entry(**(values | {column: value}))
    stored = canonical_json(value) if column == "payload" else value
    tamper(
        path,
        (
            f"UPDATE entry SET {column} = ?, hash = ? WHERE number = ?",
            (stored, changed.expected_hash(), number),
        ),
    )


def test_an_untouched_journal_has_no_problems(book):
    assert verify(book) == ()


@pytest.mark.parametrize("number", [1, 3, 5, 8])
@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("kind", "harm"),
        ("kind", "opinion"),
        ("at_utc", "2026-03-01T06:15:00.000001Z"),
        ("at_utc", "yesterday"),
        ("offset_min", 0),
        ("who", "somebody else"),
        ("payload", '{"text":"changed"}'),
        ("payload", '{"text": "changed"}'),
        ("payload", "not json"),
        ("payload", '{"a":NaN}'),
        ("payload", "3"),
        ("reason", "there was none"),
        ("previous", "1" * 64),
        ("hash", "2" * 64),
        ("hash", "short"),
    ],
)
def test_the_entry_that_was_changed_is_named_first(book, number, column, value):
    tamper(book, (f"UPDATE entry SET {column} = ? WHERE number = ?", (value, number)))
    problems = verify(book)
    assert first_named(problems) == number
    with Journal.open(book) as journal, pytest.raises(JournalError, match=f"entry {number}"):
        journal.entries()


@pytest.mark.parametrize(
    "payload", ['{"period":null, "text":"last"}', '{"text":"last","period":null}']
)
def test_a_payload_that_says_the_same_in_other_bytes_was_changed_too(book, payload):
    tamper(book, ("UPDATE entry SET payload = ? WHERE number = 8", (payload,)))
    assert first_named(verify(book)) == 8


def test_of_several_changed_entries_the_first_is_named_first(book):
    tamper(book, "UPDATE entry SET who = 'x' WHERE number IN (4, 7)")
    problems = verify(book)
    assert first_named(problems) == 4
    assert {p.where.split("entry ")[1] for p in problems} == {"4", "7"}


def test_an_entry_given_a_new_hash_breaks_the_chain_behind_it(book):
    rehash(
        book,
        5,
        "payload",
        {
            "period": 1,
            "outcome": "power",
            "value": 399.0,
            "unit": "W",
            "source": "typed",
            "phase": "trial",
        },
    )
    problems = verify(book)
    assert first_named(problems) == 6
    assert "entry before it was changed" in problems[0].wrong


def test_an_entry_taken_out_is_missed(book):
    tamper(book, "DELETE FROM entry WHERE number = 4")
    problems = verify(book)
    assert "entry 4 is missing" in problems[0].wrong


def test_an_entry_taken_out_and_the_rest_numbered_again_breaks_the_chain(book):
    tamper(
        book,
        "DELETE FROM entry WHERE number = 4",
        "UPDATE entry SET number = number - 1 WHERE number > 4",
    )
    assert first_named(verify(book)) == 4


def test_entries_cut_off_the_end_are_missed(book):
    tamper(book, "DELETE FROM entry WHERE number > 6")
    problems = verify(book)
    assert first_named(problems) == 7
    assert "taken out" in problems[0].wrong


def test_two_entries_that_changed_places_are_named(book):
    tamper(
        book,
        "UPDATE entry SET number = 100 WHERE number = 5",
        "UPDATE entry SET number = 5 WHERE number = 7",
        "UPDATE entry SET number = 7 WHERE number = 100",
    )
    assert first_named(verify(book)) == 5


def test_only_a_head_known_elsewhere_finds_a_chain_rewritten_to_its_end(book):
    with Journal.open(book) as journal:
        head, entries = journal.head, journal.entries()
    assert verify(book, known_head=head) == ()
    assert verify(book, known_head=entries[4].hash) == ()
    for entry in entries[7:]:
        rehash(book, entry.number, "who", "somebody else")
    assert verify(book) == ()
    problems = verify(book, known_head=head)
    assert "head" in problems[0].where


def test_a_well_hashed_entry_that_breaks_a_rule_is_named(book):
    rehash(book, 8, "payload", {"period": 9})
    rehash(book, 8, "kind", "delivered")
    rehash(book, 8, "payload", {"period": 4, "condition": "with", "fidelity": "full"})
    (problem,) = verify(book)
    assert first_named([problem]) == 8
    assert "would have been refused" in problem.wrong


@pytest.mark.parametrize(
    ("statement", "state"),
    [
        ("DROP TRIGGER entry_never_changes", "entry_never_changes is missing"),
        ("DROP TRIGGER entry_follows_the_last", "entry_follows_the_last is missing"),
        ("CREATE TABLE more (x)", "more is foreign"),
        ("CREATE TRIGGER t AFTER INSERT ON entry BEGIN SELECT 1; END", "t is foreign"),
        (
            "DROP TRIGGER entry_never_goes; CREATE TRIGGER entry_never_goes BEFORE DELETE ON entry"
            " BEGIN SELECT 1; END",
            "entry_never_goes is changed",
        ),
    ],
)
def test_guards_that_were_tampered_with_are_named(book, statement, state):
    with closing(sqlite3.connect(book)) as db:
        db.executescript(statement)
    (problem,) = verify(book)
    assert problem.found == state


def test_a_damaged_page_is_found(write, path):
    for i in range(60):
        write("note", text=f"{i} " + "." * 400)
    write.journal.close()
    raw = bytearray(path.read_bytes())
    for place in range(3 * 4096, 3 * 4096 + 8):
        raw[place] ^= 0xFF
    path.write_bytes(raw)
    problems = verify(path)
    assert problems
    assert all(isinstance(p.where, str) for p in problems)


def test_every_flipped_byte_of_an_entry_is_found(book):
    with Journal.open(book) as journal:
        stream = io.StringIO()
        journal.export_jsonl(stream)
    who = json.loads(stream.getvalue().splitlines()[-1])["who"]
    raw = book.read_bytes()
    place = raw.rindex(who.encode())
    missed = []
    for offset in range(-60, 60):
        changed = bytearray(raw)
        changed[place + offset] ^= 0x01
        book.write_bytes(changed)
        try:
            if not verify(book):
                missed.append(offset)
        except JournalError:
            pass
    book.write_bytes(raw)
    assert missed == []
    assert verify(book) == ()
