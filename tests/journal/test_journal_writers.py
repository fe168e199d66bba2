import shutil
import subprocess
import sys
from collections import Counter
from itertools import pairwise

from trialkit.journal import Journal

# SQLite lets a writer that never pauses have the file to itself, so each one takes a breath.
ADD = """
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from trialkit.journal import Journal

path, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
with Journal.open(path) as journal:
    for i in range(count):
        at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=i)
        print(journal.append("note", {"text": f"{name} {i}"}, at=at, who=name).hash)
        time.sleep(0.002)
"""
CREATE = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from trialkit.errors import JournalError
from trialkit.journal import Journal

print("ready", flush=True)
sys.stdin.readline()
try:
    at = datetime(2026, 1, 1, tzinfo=UTC)
    Journal.create(Path(sys.argv[1]), trial_id=sys.argv[2], at=at, who=sys.argv[2]).close()
    print("created")
except JournalError as error:
    print(error.problems[0].found)
"""


def at_once(program, argument_lists):
    """Run the program once per list of arguments, all begun at the same moment."""
    running = [
        subprocess.Popen(
            [sys.executable, "-c", program, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for arguments in argument_lists
    ]
    assert [process.stdout.readline() for process in running] == ["ready\n"] * len(running)
    for process in running:
        process.stdin.write("go\n")
        process.stdin.flush()
    told = [process.communicate()[0].splitlines() for process in running]
    assert [process.returncode for process in running] == [0] * len(running)
    return told


def test_four_writers_at_once_lose_nothing(write, path):
    names = ["anna", "ben", "cleo", "dev"]
    told = at_once(ADD, [[str(path), name, "50"] for name in names])
    with Journal.open(path) as journal:
        assert journal.verify() == ()
        entries = journal.entries("note")
    assert Counter(e.who for e in entries) == dict.fromkeys(names, 50)
    for name, hashes in zip(names, told, strict=True):
        assert [e.hash for e in entries if e.who == name] == hashes
    # If the processes had run one after the other, this would have tested nothing.
    assert sum(a.who != b.who for a, b in pairwise(entries)) > 10


def test_checking_while_others_write_finds_no_fault(write, path):
    command = [sys.executable, "-c", ADD, str(path), "anna", "100"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        process.stdin.write(b"go\n")
        process.stdin.flush()
        lengths = set()
        while process.poll() is None:
            assert write.journal.verify() == ()
            lengths.add(len(write.journal.entries()))
    assert process.returncode == 0
    assert len(lengths) > 5


def test_of_several_who_create_the_journal_one_succeeds(path):
    told = at_once(CREATE, [[str(path), name] for name in ("a", "b", "c")])
    answers = Counter(line for lines in told for line in lines)
    assert answers == {"created": 1, "a file that already holds data": 2}
    with Journal.open(path) as journal:
        assert len(journal.entries()) == 1


def test_a_copy_of_the_folder_is_a_backup(write, path, tmp_path):
    write.start()
    copy = tmp_path.parent / f"{tmp_path.name}-copy"
    shutil.copytree(tmp_path, copy)
    with Journal.open(copy / "trial.db") as journal:
        assert journal.verify(known_head=write.journal.head) == ()
        assert journal.entries() == write.journal.entries()
