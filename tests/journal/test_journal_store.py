import os
import shutil
import sqlite3
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest

from trialkit.errors import JournalError
from trialkit.journal import Draft, Journal, store


@contextmanager
def plain(path):
    """A connection as any other program would open it, no PRAGMA set."""
    db = sqlite3.connect(path, isolation_level=None)
    try:
        yield db
    finally:
        db.close()


def problem(call):
    with pytest.raises(JournalError) as caught:
        call()
    (found,) = caught.value.problems
    return found


@pytest.fixture
def rows(write, path):
    write("note", text="a")
    write("note", text="b")
    return path


@pytest.mark.parametrize(
    ("statement", "message"),
    [
        ("UPDATE entry SET who = 'x' WHERE number = 2", "never changed"),
        ("UPDATE OR REPLACE entry SET number = 2 WHERE number = 3", "never changed"),
        ("DELETE FROM entry WHERE number = 3", "never deleted"),
        ("REPLACE INTO entry SELECT * FROM entry WHERE number = 2", "follows the last"),
        ("INSERT OR REPLACE INTO entry SELECT * FROM entry WHERE number = 3", "follows the last"),
        (
            "INSERT INTO entry SELECT 9, kind, at_utc, offset_min, who, payload, corrects, reason,"
            " hash, hash FROM entry WHERE number = 3",
            "follows the last",
        ),
        (
            "INSERT INTO entry SELECT 4, kind, at_utc, offset_min, who, payload, corrects, reason,"
            " previous, hash FROM entry WHERE number = 3",
            "follows the last",
        ),
        (
            "INSERT INTO entry SELECT 4, kind, at_utc, 'noon', who, payload, corrects, reason,"
            " hash, hash FROM entry WHERE number = 3",
            "INT",
        ),
        (
            "INSERT INTO entry SELECT 4, kind, at_utc, 0, who, payload, 2, NULL,"
            " hash, hash FROM entry WHERE number = 3",
            "CHECK",
        ),
    ],
)
def test_no_program_changes_what_is_there(rows, write, statement, message):
    before = write.journal.entries()
    with plain(rows) as db, pytest.raises(sqlite3.IntegrityError, match=message):
        db.execute(statement)
    with Journal.open(rows) as journal:
        assert journal.entries() == before
        assert journal.verify() == ()


def test_the_file_is_one_file_that_says_what_it_is(rows, tmp_path):
    with plain(rows) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert db.execute("PRAGMA application_id").fetchone() == (store.APPLICATION_ID,)
        assert db.execute("PRAGMA user_version").fetchone() == (store.SCHEMA_VERSION,)
        (strict,) = db.execute(
            "SELECT strict FROM pragma_table_list WHERE name = 'entry'"
        ).fetchone()
        assert strict
    assert [p.name for p in tmp_path.iterdir()] == ["trial.db"]


def test_the_connection_has_the_settings_the_journal_relies_on(write):
    read = {
        name: write.journal._db.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("synchronous", "recursive_triggers", "foreign_keys", "busy_timeout")
    }
    extra = 3
    assert read == {
        "synchronous": extra,
        "recursive_triggers": 1,
        "foreign_keys": 1,
        "busy_timeout": 10_000,
    }


def test_a_file_turned_to_another_journal_mode_is_turned_back(rows, write, tmp_path):
    write.journal.close()
    with plain(rows) as db:
        db.execute("PRAGMA journal_mode = WAL")
    Journal.open(rows).close()
    with plain(rows) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert [p.name for p in tmp_path.iterdir()] == ["trial.db"]


def test_a_journal_opened_to_read_takes_no_entries(rows, at):
    before = rows.read_bytes()
    with Journal.open(rows, read_only=True) as journal:
        assert len(journal.entries()) == 3
        assert journal.verify() == ()
        with pytest.raises(JournalError):
            journal.append("note", {"text": "x"}, at=at, who="coach")
    assert rows.read_bytes() == before


def test_a_journal_is_never_created_over_anything(write, path, at, tmp_path):
    found = problem(lambda: Journal.create(path, trial_id="x", at=at, who="coach"))
    assert "already holds data" in found.found
    text = tmp_path / "notes.txt"
    text.write_text("my notes, which are long enough to be taken for a database header" * 20)
    before = text.read_bytes()
    problem(lambda: Journal.create(text, trial_id="x", at=at, who="coach"))
    assert text.read_bytes() == before


def test_a_creation_that_failed_leaves_nothing_and_can_be_done_again(path, at):
    problem(lambda: Journal.create(path, trial_id=" ", at=at, who="coach"))
    assert problem(lambda: Journal.open(path)).found == "an empty file"
    with Journal.create(path, trial_id="again", at=at, who="coach") as journal:
        assert journal.trial_id == "again"


def test_a_journal_is_created_with_its_first_entries_or_not_at_all(path, at):
    good, bad = Draft("note", {"text": "x"}), Draft("note", {})
    problem(lambda: Journal.create(path, trial_id="x", at=at, who="coach", drafts=[good, bad]))
    assert problem(lambda: Journal.open(path)).found == "an empty file"
    with Journal.create(path, trial_id="x", at=at, who="coach", drafts=[good, good]) as journal:
        assert [e.kind for e in journal.entries()] == ["trial-created", "note", "note"]


@pytest.mark.parametrize("name", ["trial #1.db", "50% ?mode=ro&x=1.db", "Läufer 'A'.db"])
def test_any_name_of_a_file_will_do(tmp_path, at, name):
    folder = tmp_path / name
    folder.mkdir()
    Journal.create(folder / name, trial_id="x", at=at, who="coach").close()
    assert [p.name for p in folder.iterdir()] == [name]
    with Journal.open(folder / name) as journal:
        assert journal.verify() == ()


def test_a_missing_file_is_not_created(tmp_path):
    path = tmp_path / "trial.db"
    assert problem(lambda: Journal.open(path)).found == "no such file"
    assert not path.exists()
    assert "not a file" in problem(lambda: Journal.open(tmp_path)).found


def test_a_missing_folder_is_told(tmp_path, at):
    path = tmp_path / "none" / "trial.db"
    found = problem(lambda: Journal.create(path, trial_id="x", at=at, who="coach"))
    assert "cannot be opened" in found.found


@pytest.mark.parametrize("read_only", [True, False])
def test_a_file_that_is_no_database_is_told(tmp_path, read_only):
    path = tmp_path / "trial.db"
    path.write_bytes(b"\x00\x01 not a database " * 100)
    found = problem(lambda: Journal.open(path, read_only=read_only))
    assert "not a database" in found.found


def test_the_database_of_another_program_is_told(tmp_path):
    path = tmp_path / "trial.db"
    with plain(path) as db:
        db.execute("CREATE TABLE recipes (name TEXT)")
    assert "another program" in problem(lambda: Journal.open(path)).found


def test_a_newer_version_is_told(rows):
    with plain(rows) as db:
        db.execute("PRAGMA user_version = 99")
    found = problem(lambda: Journal.open(rows))
    assert "version 99" in found.found
    assert "newer trialkit" in found.fix


def test_an_older_version_is_brought_up_in_one_step_or_not_at_all(rows, monkeypatch):
    def step(db):
        db.execute("CREATE TABLE extra (x TEXT) STRICT")

    monkeypatch.setattr(store, "SCHEMA_VERSION", 3)
    monkeypatch.setattr(store, "MIGRATIONS", {1: step, 2: step})
    assert "refuses" in problem(lambda: Journal.open(rows)).found
    with plain(rows) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
        assert not db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'extra'").fetchone()
    monkeypatch.setattr(store, "MIGRATIONS", {1: step, 2: lambda db: None})
    with Journal.open(rows) as journal:
        assert len(journal.entries()) == 3
    with plain(rows) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (3,)


def test_an_old_sqlite_is_told(path, at, monkeypatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 36, 0))
    found = problem(lambda: Journal.create(path, trial_id="x", at=at, who="coach"))
    assert "3.37" in found.wrong
    assert not path.exists()


@pytest.mark.parametrize("keep", [100, 4096, 8192, -4096])
def test_a_truncated_file_is_told(write, path, at, keep):
    drafts = [Draft("note", {"text": f"{i} " + "." * 500}) for i in range(40)]
    write.journal.append_all(drafts, at=at, who="coach")
    write.journal.close()
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(JournalError) as caught, Journal.open(path) as journal:
        journal.entries()
    assert str(path) in str(caught.value)
    try:
        with Journal.open(path) as journal:
            assert journal.verify()
    except JournalError:
        pass


def test_a_busy_file_is_told_and_nothing_is_written(rows, write, at, monkeypatch):
    write.journal._db.execute("PRAGMA busy_timeout = 50")
    with plain(rows) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalError, match="another program at work"):
            write("note", text="x")
    assert write("note", text="x").number == 4


def test_a_write_cut_off_by_a_crash_is_rolled_back_even_for_a_reader(rows, write, tmp_path):
    # A copy taken in the middle of a transaction that has begun to change the file, together with
    # its rollback journal, is what a crash leaves behind.
    before = write.journal.entries()
    crashed = tmp_path / "crashed" / "trial.db"
    crashed.parent.mkdir()
    write.journal._db.execute("PRAGMA cache_size = 1")
    write.journal._db.execute("PRAGMA cache_spill = 1")
    write.journal._db.execute("BEGIN IMMEDIATE")
    for number in range(4, 40):
        write.journal._db.execute(
            "INSERT INTO entry SELECT ?, kind, at_utc, 0, who, ?, NULL, NULL, hash, hash"
            " FROM entry ORDER BY number DESC LIMIT 1",
            (number, "." * 3000),
        )
    shutil.copy(rows, crashed)
    shutil.copy(f"{rows}-journal", f"{crashed}-journal")
    write.journal._db.execute("ROLLBACK")
    assert crashed.read_bytes() != rows.read_bytes()
    with Journal.open(crashed, read_only=True) as journal:
        assert journal.entries() == before
        assert journal.verify() == ()


@contextmanager
def somebody_without_rights():
    """Go on as a user who is not root, to whom the rights of files apply."""
    if os.geteuid():
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def shared_folder():
    # pytest's own folders are closed to other users.
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o777)
    yield folder
    folder.chmod(0o777)
    shutil.rmtree(folder)


def test_a_read_only_folder_can_be_read_but_not_written(shared_folder, at):
    path = shared_folder / "trial.db"
    Journal.create(path, trial_id="x", at=at, who="coach").close()
    path.chmod(0o444)
    shared_folder.chmod(0o555)
    with somebody_without_rights():
        with Journal.open(path, read_only=True) as journal:
            assert len(journal.entries()) == 1
            assert journal.verify() == ()
        with pytest.raises(JournalError) as caught, Journal.open(path) as journal:
            journal.append("note", {"text": "x"}, at=at, who="coach")
        assert "cannot be written to" in str(caught.value)
        with pytest.raises(JournalError, match="cannot be opened"):
            Journal.create(shared_folder / "new.db", trial_id="x", at=at, who="coach")


def test_a_full_disk_is_told_and_nothing_is_half_written(write, at):
    pages = write.journal._db.execute("PRAGMA page_count").fetchone()[0]
    write.journal._db.execute(f"PRAGMA max_page_count = {pages + 1}")
    before = write.journal.entries()
    with pytest.raises(JournalError, match="a full disk"):
        write("note", text="." * 50_000)
    assert write.journal.entries() == before
    assert write.journal.verify() == ()
    assert write("note", text="small").number == 2
