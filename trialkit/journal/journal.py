"""The journal of one trial: a file to which entries are added and from which none is ever taken."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO

from trialkit.errors import JournalError, Problem
from trialkit.journal import store
from trialkit.journal.canonical import canonical_json
from trialkit.journal.checking import check_file, read_row, rows_after
from trialkit.journal.entries import GENESIS, Draft, Entry, as_json, make_entry
from trialkit.journal.kinds import Kind, find_kind
from trialkit.journal.rules import History, refusals


class Journal:
    """An append-only store of everything that happened in one trial.

    Entries are numbered from 1 and tied together by a chain of SHA-256 hashes; a correction is a
    new entry that names the one it corrects. The journal never looks at a clock: the instant of
    each entry is handed in. Several programs may have the file open at once; each entry or batch
    is added under SQLite's write lock. Not for use across threads or after a fork.
    """

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db
        self._entries: list[Entry] = []
        self._history = History()

    @classmethod
    def create(
        cls, path: Path, *, trial_id: str, at: datetime, who: str, drafts: Sequence[Draft] = ()
    ) -> Journal:
        """Start the journal of a new trial; its first entry names the trial.

        ``drafts`` are added in the same step: either the journal is there with all of them, or
        there is none. A file left empty by a creation that was cut off is used.

        Raises
        ------
        JournalError
            When there is a journal already, the folder cannot be written to, or an entry is wrong.
        """
        path = Path(path)
        db = store.connect(path, read_only=False, create=True)
        journal = cls(path, db)
        try:
            with store.writing(db, path):
                store.lay_out(db, path)
                first = Draft(Kind.TRIAL_CREATED, {"trial_id": trial_id})
                journal._write([first, *drafts], at, who)
        except BaseException:
            db.close()
            raise
        return journal

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False) -> Journal:
        """Open the journal of a trial.

        Raises
        ------
        JournalError
            When the file is missing, damaged, not a journal, or of a newer version.
        """
        path = Path(path)
        db = store.connect(path, read_only=read_only)
        try:
            version = store.check_identity(db, path)
            if not read_only:
                store.migrate(db, path, version)
        except BaseException:
            db.close()
            raise
        return cls(path, db)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def append(
        self,
        kind: str,
        payload: Mapping[str, Any],
        *,
        at: datetime,
        who: str,
        corrects: int | None = None,
        reason: str | None = None,
    ) -> Entry:
        """Add one entry; when this returns, the entry is on the disk.

        Parameters
        ----------
        kind : name of a `Kind`.
        payload : the fields of that kind.
        at : the instant, with its offset from UTC.
        who : the person or program that adds it.
        corrects, reason : number of the entry this one replaces, and why.

        Raises
        ------
        JournalError
            When a field is wrong, the entry may not follow what is there, or it cannot be
            written. Nothing is written then.
        """
        draft = Draft(kind, payload, corrects, reason)
        return self.append_all([draft], at=at, who=who)[0]

    def append_all(self, drafts: Sequence[Draft], *, at: datetime, who: str) -> tuple[Entry, ...]:
        """Add several entries, all or none of them.

        Raises
        ------
        JournalError
            As `append`; the place names the draft, counted from 1.
        """
        with store.writing(self._db, self.path):
            return self._write(drafts, at, who)

    def entries(self, kind: str | None = None) -> tuple[Entry, ...]:
        """Give all entries in order, or those of one kind.

        Every entry is checked against the hash chain as it is read.

        Raises
        ------
        JournalError
            When an entry was tampered with or the file is damaged.
        """
        self._catch_up()
        wanted = None if kind is None else find_kind(kind)
        return tuple(e for e in self._entries if wanted is None or e.kind is wanted)

    @property
    def head(self) -> str:
        """Hash of the last entry; written down elsewhere, it proves later that nothing changed."""
        self._catch_up()
        return self._entries[-1].hash if self._entries else GENESIS

    @property
    def trial_id(self) -> str:
        """Name the trial was created under."""
        return str(self.entries(Kind.TRIAL_CREATED)[0].payload["trial_id"])

    def verify(self, *, known_head: str | None = None) -> tuple[Problem, ...]:
        """Check the whole file: database, schema, triggers, and each entry and its place.

        Without ``known_head`` the check finds every change but one: a person who rewrites an entry
        and every hash after it, or cuts off the end, leaves a chain that fits. ``known_head``, a
        head written down earlier somewhere else, finds that too.

        Returns
        -------
        Problems, the first tampered entry first; empty when all is well.
        """
        return check_file(self._db, self.path, known_head=known_head)

    def backup(self, path: Path) -> None:
        """Write a copy of the journal that is whole even while others are writing.

        Raises
        ------
        JournalError
            When the copy exists already or cannot be written.
        """
        target = Path(path)
        if target.exists():
            raise JournalError(
                Problem(
                    where=str(target),
                    found="a file of that name",
                    wrong="a backup never writes over anything.",
                    fix="give another name.",
                )
            )
        part = target.with_name(target.name + ".part")
        try:
            with store.plain_words(target), closing(sqlite3.connect(part)) as copy:
                copy.execute("PRAGMA synchronous = EXTRA")
                self._db.backup(copy)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)

    def export_jsonl(self, stream: TextIO) -> None:
        """Write every entry as one line of canonical JSON, its hash included."""
        for entry in self.entries():
            stream.write(canonical_json(as_json(entry)) + "\n")

    def _write(self, drafts: Sequence[Draft], at: datetime, who: str) -> tuple[Entry, ...]:
        # Runs under the write lock: what is read here cannot change before the commit.
        self._catch_up()
        history = self._history.copy()
        last = self._entries[-1] if self._entries else None
        written: list[Entry] = []
        problems: list[Problem] = []
        for draft in drafts:
            entry = make_entry(draft, last, at=at, who=who)
            found = list(refusals(history, entry.kind, entry.record, entry.corrects))
            problems += found
            if not found:
                history.add(entry.kind, entry.record, entry.corrects)
                written.append(entry)
                last = entry
        if problems:
            raise JournalError(problems)
        for entry in written:
            self._insert(entry)
        return tuple(written)

    def _insert(self, entry: Entry) -> None:
        row = as_json(entry) | {"payload": canonical_json(entry.payload)}
        marks = ", ".join(f":{name}" for name in row)
        self._db.execute(f"INSERT INTO entry ({', '.join(row)}) VALUES ({marks})", row)

    def _catch_up(self) -> None:
        """Read and check what has been added since the last look, by whomever."""
        with store.plain_words(self.path):
            rows = rows_after(self._db, len(self._entries))
        for row in rows:
            previous = self._entries[-1].hash if self._entries else GENESIS
            entry = read_row(row, len(self._entries) + 1, previous, self.path)
            self._history.add(entry.kind, entry.record, entry.corrects)
            self._entries.append(entry)
