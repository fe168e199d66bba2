"""The file: schema, settings of the connection, migrations, and SQLite's failures in plain words.

One file per trial with a rollback journal and ``synchronous=EXTRA``: it may be mailed or copied as
it is, needs no shared memory, and a confirmed entry survives a power cut as far as the disk keeps
its word. Triggers refuse every change but an insert at the end, whatever program makes it; only
somebody who drops the triggers gets past them, and the hash chain shows that.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from trialkit.errors import JournalError, Problem

APPLICATION_ID = 0x7472696B
SCHEMA_VERSION = 1
OLDEST_SQLITE = (3, 37, 0)
BUSY_SECONDS = 10.0

SCHEMA = {
    "entry": """CREATE TABLE entry (
  number INTEGER PRIMARY KEY AUTOINCREMENT CHECK (number >= 1),
  kind TEXT NOT NULL,
  at_utc TEXT NOT NULL,
  offset_min INTEGER NOT NULL,
  who TEXT NOT NULL,
  payload TEXT NOT NULL,
  corrects INTEGER REFERENCES entry (number) CHECK (corrects < number),
  reason TEXT,
  previous TEXT NOT NULL CHECK (length(previous) = 64),
  hash TEXT NOT NULL CHECK (length(hash) = 64),
  CHECK ((corrects IS NULL) = (reason IS NULL))
) STRICT""",
    "entry_never_changes": """CREATE TRIGGER entry_never_changes BEFORE UPDATE ON entry BEGIN
  SELECT RAISE(ABORT, 'entries are never changed: add a correction');
END""",
    "entry_never_goes": """CREATE TRIGGER entry_never_goes BEFORE DELETE ON entry BEGIN
  SELECT RAISE(ABORT, 'entries are never deleted: add a withdrawal');
END""",
    # Fires before a REPLACE clears its way, so it holds even for a connection that has not
    # switched recursive_triggers on.
    "entry_follows_the_last": """CREATE TRIGGER entry_follows_the_last BEFORE INSERT ON entry
WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entry)
  OR NEW.previous IS NOT coalesce(
    (SELECT hash FROM entry ORDER BY number DESC LIMIT 1), printf('%064d', 0))
BEGIN
  SELECT RAISE(ABORT, 'an entry follows the last one');
END""",
}

Migration = Callable[[sqlite3.Connection], None]
MIGRATIONS: dict[int, Migration] = {}
"""Step from the version that is the key to the next one; run inside one transaction."""


def connect(path: Path, *, read_only: bool, create: bool = False) -> sqlite3.Connection:
    """Open the file with the settings the journal relies on.

    Raises
    ------
    JournalError
        When SQLite is too old, or the file is missing, damaged or not to be opened.
    """
    _check_sqlite(path)
    if not create:
        _check_file(path)
    with plain_words(path):
        # A reader also opens for writing where it may: a write that was cut off by a crash has to
        # be rolled back before anything can be read, and query_only keeps it from writing.
        mode = "rwc" if create else "rw"
        uri = f"{path.absolute().as_uri()}?mode={mode}"
        db = sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
    try:
        with plain_words(path):
            _settle(db, read_only=read_only)
    except JournalError:
        db.close()
        raise
    return db


def _settle(db: sqlite3.Connection, *, read_only: bool) -> None:
    db.execute("PRAGMA trusted_schema = OFF")
    db.execute("PRAGMA cell_size_check = ON")
    if read_only:
        db.execute("PRAGMA query_only = ON")
    else:
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("PRAGMA synchronous = EXTRA")
        db.execute("PRAGMA recursive_triggers = ON")
        db.execute("PRAGMA foreign_keys = ON")
    db.execute("SELECT count(*) FROM sqlite_schema").fetchone()


def lay_out(db: sqlite3.Connection, path: Path) -> None:
    """Write the schema into an empty file, inside the caller's transaction."""
    if db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
        raise JournalError(
            Problem(
                where=str(path),
                found="a file that already holds data",
                wrong="a journal is never written over.",
                fix="open it, or start the new trial in another folder.",
            )
        )
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    for statement in SCHEMA.values():
        db.execute(statement)


def check_identity(db: sqlite3.Connection, path: Path) -> int:
    """Make sure that the file is a journal this version can read; give its schema version."""
    with plain_words(path):
        tables = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        application = db.execute("PRAGMA application_id").fetchone()[0]
        version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if not tables and not application:
        raise _no_journal(path, "an empty file", "nothing was ever recorded in it.")
    if application != APPLICATION_ID:
        raise _no_journal(path, "an SQLite file of another program", "it is not a journal.")
    if version > SCHEMA_VERSION:
        raise JournalError(
            Problem(
                where=str(path),
                found=f"a journal of version {version}",
                wrong=f"this trialkit knows versions up to {SCHEMA_VERSION}.",
                fix="install a newer trialkit.",
            )
        )
    return version


def migrate(db: sqlite3.Connection, path: Path, version: int) -> None:
    """Bring an older file up to the current version, all steps or none."""
    if version == SCHEMA_VERSION:
        return
    with writing(db, path):
        for step in range(version, SCHEMA_VERSION):
            MIGRATIONS[step](db)
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


@contextmanager
def writing(db: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Hold the write lock for a block: all of it is confirmed at the end, or nothing of it."""
    with plain_words(path):
        db.execute("BEGIN IMMEDIATE")
        try:
            yield
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise


@contextmanager
def plain_words(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into a `JournalError` that says what happened and what to do."""
    try:
        yield
    except sqlite3.Error as error:
        raise JournalError(_phrase(error, path)) from error


_REASONS = {
    sqlite3.SQLITE_FULL: (
        "a full disk",
        "the entry was not written; everything confirmed before is safe.",
        "make room on the disk and enter it again.",
    ),
    sqlite3.SQLITE_READONLY: (
        "a file or folder that cannot be written to",
        "the journal adds every entry to this file and needs a scratch file beside it.",
        "allow writing to the file and its folder, or work on a copy elsewhere.",
    ),
    sqlite3.SQLITE_BUSY: (
        "another program at work on the file",
        f"it did not let go within {BUSY_SECONDS:.0f} seconds; nothing was written.",
        "wait until the other program is done and try again.",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "a damaged file",
        "parts of the database do not fit together.",
        "go back to the last good copy of the trial's folder.",
    ),
    sqlite3.SQLITE_NOTADB: (
        "a file that is not a database",
        "its first bytes are not those of a journal.",
        "name the trial.db of a trial, or go back to the last good copy.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "a file that cannot be opened",
        "the folder is missing, or reading or writing there is not allowed.",
        "check the path and the rights of the folder.",
    ),
    sqlite3.SQLITE_IOERR: (
        "a disk that refused to read or write",
        "the entry was not confirmed; everything confirmed before is safe.",
        "check the disk and its free room, then try again.",
    ),
}


def _phrase(error: sqlite3.Error, path: Path) -> Problem:
    # The low byte is the primary code; extended codes only say which call failed.
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    fallback = (
        "something the database refuses",
        "the entry was not written.",
        "run verify on the trial's folder.",
    )
    found, wrong, fix = _REASONS.get(code, fallback)
    return Problem(where=str(path), found=f"{found} ({error})", wrong=wrong, fix=fix)


def _check_sqlite(path: Path) -> None:
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise JournalError(
            Problem(
                where=str(path),
                found=f"SQLite {sqlite3.sqlite_version}",
                wrong="the journal's strict tables need SQLite 3.37 or newer.",
                fix="use a Python built with a newer SQLite.",
            )
        )


def _check_file(path: Path) -> None:
    if not path.exists():
        raise _no_journal(path, "no such file", "there is no journal here yet.")
    if not path.is_file():
        raise _no_journal(path, "something that is not a file", "a journal is one file.")
    if path.stat().st_size == 0:
        raise _no_journal(path, "an empty file", "nothing was ever recorded in it.")


def _no_journal(path: Path, found: str, wrong: str) -> JournalError:
    return JournalError(
        Problem(
            where=str(path),
            found=found,
            wrong=wrong,
            fix="name a trial's folder, or start the trial (randomise).",
        )
    )
