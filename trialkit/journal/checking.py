"""Checking that what is in the file is what was written: each row by itself, and the whole file."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from trialkit.errors import JournalError, Problem
from trialkit.journal import store
from trialkit.journal.canonical import canonical_json
from trialkit.journal.entries import COLUMNS, GENESIS, Entry, read_stamp
from trialkit.journal.kinds import Kind
from trialkit.journal.rules import History, refusals

_RESTORE = "go back to a copy of the trial's folder from before the change."
Row = tuple[Any, ...]


def rows_after(db: sqlite3.Connection, number: int) -> list[Row]:
    """Fetch the raw rows after an entry number, in order."""
    columns = ", ".join(COLUMNS)
    query = f"SELECT {columns} FROM entry WHERE number > ? ORDER BY number"
    return db.execute(query, (number,)).fetchall()


def read_row(row: Row, number: int, previous: str, path: Path) -> Entry:
    """Read a row that should be entry ``number`` and follow the hash ``previous``.

    Raises
    ------
    JournalError
        When it was tampered with, with everything that shows it.
    """
    entry, problems = check_row(row, number, previous, path)
    if entry is None or problems:
        raise JournalError(problems)
    return entry


def check_row(
    row: Row, number: int, previous: str, path: Path
) -> tuple[Entry | None, list[Problem]]:
    """Check a row against its own hash and its place in the chain; None where it cannot be read."""
    values = dict(zip(COLUMNS, row, strict=True))
    where = f"{path}, entry {values['number']}"
    try:
        entry = _entry_of(values)
        record_problems = _record_problems(entry, where)
        fits = entry.hash == entry.expected_hash()
    except (JournalError, ValueError, TypeError) as error:
        wrong = "it cannot be read as an entry: it was changed after it was written."
        return None, [Problem(where=where, found=str(error)[:120], wrong=wrong, fix=_RESTORE)]
    problems = []
    if not fits:
        wrong = "its hash does not fit what it says: it was changed after it was written."
        problems.append(_altered(where, f"{entry.kind} by {entry.who}", wrong))
    if entry.number != number:
        wrong = f"entry {number} is missing."
        problems.append(_altered(where, f"entry {entry.number} in place {number}", wrong))
    elif entry.previous != previous:
        wrong = "the entry before it was changed and given a new hash, or taken out."
        problems.append(_altered(where, "a link to another entry than the one before", wrong))
    return entry, problems + record_problems


def check_file(
    db: sqlite3.Connection, path: Path, *, known_head: str | None = None
) -> tuple[Problem, ...]:
    """Check database, schema and all entries; see `Journal.verify`."""
    try:
        with store.plain_words(path):
            # One read transaction, or a writer in between would look like tampering.
            db.execute("BEGIN")
            try:
                return (*_entries(db, path, known_head), *_schema(db, path), *_database(db, path))
            finally:
                if db.in_transaction:
                    db.execute("ROLLBACK")
    except JournalError as error:
        return error.problems


def _entry_of(values: dict[str, Any]) -> Entry:
    text = values["payload"]
    payload = json.loads(text)
    if canonical_json(payload) != text:
        raise ValueError("a payload that is not in canonical form")
    read_stamp(values["at_utc"])
    return Entry(**(values | {"kind": Kind(values["kind"]), "payload": payload}))


def _record_problems(entry: Entry, where: str) -> list[Problem]:
    try:
        _ = entry.record
    except JournalError as error:
        return [Problem(f"{where}, {p.where}", p.found, p.wrong, _RESTORE) for p in error.problems]
    return []


def _entries(db: sqlite3.Connection, path: Path, known_head: str | None) -> Iterator[Problem]:
    history, previous, hashes = History(), GENESIS, set[str]()
    number, sound = 0, True
    for row in rows_after(db, -(2**63)):
        entry, problems = check_row(row, number + 1, previous, path)
        yield from problems
        number, previous = row[COLUMNS.index("number")], row[COLUMNS.index("hash")]
        hashes.add(previous)
        # What may follow an entry that was tampered with, nobody can tell.
        sound = sound and not problems
        if entry is not None and sound:
            yield from _misplaced(history, entry, path)
            history.add(entry.kind, entry.record, entry.corrects)
    yield from _cut_off(db, path, number)
    if known_head is not None and known_head not in hashes:
        wrong = "no entry here has that hash: entries were rewritten or cut off since."
        yield _altered(f"{path}, head", f"not the known head {known_head[:12]}", wrong)


def _misplaced(history: History, entry: Entry, path: Path) -> Iterator[Problem]:
    for refusal in refusals(history, entry.kind, entry.record, entry.corrects):
        wrong = f"it would have been refused: {refusal.wrong}"
        yield _altered(f"{path}, entry {entry.number}", refusal.found, wrong)


def _cut_off(db: sqlite3.Connection, path: Path, last: int) -> Iterator[Problem]:
    row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'entry'").fetchone()
    ever = int(row[0]) if row else 0
    if ever > last:
        found = f"entries up to {last} where there have been {ever}"
        wrong = f"entry {last + 1} and those after it were taken out."
        yield _altered(f"{path}, entry {last + 1}", found, wrong)


def _schema(db: sqlite3.Connection, path: Path) -> Iterator[Problem]:
    query = "SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
    found: dict[str, str] = dict(db.execute(query).fetchall())
    for name in sorted(found.keys() | store.SCHEMA.keys()):
        if found.get(name) != store.SCHEMA.get(name):
            state = "foreign" if name not in store.SCHEMA else "missing"
            state = "changed" if name in found and name in store.SCHEMA else state
            wrong = "the guards of the file were tampered with; entries may have been too."
            yield _altered(f"{path}, schema", f"{name} is {state}", wrong)


def _database(db: sqlite3.Connection, path: Path) -> Iterator[Problem]:
    for (line,) in db.execute("PRAGMA integrity_check").fetchall():
        if line != "ok":
            yield _altered(str(path), line, "the database file is damaged.")


def _altered(where: str, found: str, wrong: str) -> Problem:
    return Problem(where=where, found=found, wrong=wrong, fix=_RESTORE)
