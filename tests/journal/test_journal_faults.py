import importlib.util
import json
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

from trialkit.journal import Journal

TOOL = Path(__file__).parents[2] / "tools" / "fault_run.py"


@pytest.fixture(scope="module")
def tool():
    spec = importlib.util.spec_from_file_location("fault_run", TOOL)
    module = importlib.util.module_from_spec(spec)
    sys.modules["fault_run"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["fault_run"]


def test_a_short_run_of_the_documented_command_loses_nothing(tool):
    done = subprocess.run(
        [sys.executable, str(TOOL), "--kills", "10", "--seed", "3"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    heads, _, *rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in done.stdout.splitlines()
    ]
    assert [head.replace(" ", "_") for head in heads] == [f.name for f in fields(tool.Faults)]
    adding, creating, full = (dict(zip(heads, row, strict=True)) for row in rows)
    for row in (adding, creating, full):
        assert row["rounds"] == "10"
        assert row["confirmed and lost"] == row["half written"] == "0"
    assert int(adding["confirmed"]) > 10
    # Every round ended because the disk refused, or the run would not have tested anything.
    assert full["cut off in a write"] == "10"


def test_the_count_finds_what_is_lost_or_half_written(tool, path, at):
    label = "batch 0/0/2 ."
    with Journal.create(path, trial_id="x", at=at, who="fault run") as journal:
        kept = journal.append("note", {"text": label}, at=at, who="fault run")
    confirmed = {kept.number: kept.hash, 3: "f" * 64}
    found = tool.account("by hand", 1, confirmed, path, 0)
    assert (found.confirmed_and_lost, found.half_written, found.unconfirmed_but_whole) == (1, 1, 0)
    assert not found.clean


def test_a_file_size_limit_stands_in_where_there_is_no_small_disk(tmp_path):
    # In a process of its own: the limit holds for the whole process.
    program = (
        "import json, sys; from pathlib import Path; sys.path.insert(0, sys.argv[1]);"
        "from fault_run import full_disk_run;"
        "print(json.dumps(vars(full_disk_run(4, 1, Path(sys.argv[2]), limit=1))))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(TOOL.parent), str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
    )
    found = json.loads(done.stdout)
    assert found["cut_off_in_a_write"] == 4
    assert found["confirmed_and_lost"] == found["half_written"] == 0
    assert found["journals_with_problems"] == 0


LIMITED = """
import resource, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from trialkit.errors import JournalError
from trialkit.journal import Draft, Journal

def limit(size):
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

def told(call):
    try:
        call()
    except JournalError as error:
        print(error.problems[0].found)

at, folder = datetime(2026, 1, 1, tzinfo=UTC), Path(sys.argv[1])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
create = lambda: Journal.create(folder / "trial.db", trial_id="x", at=at, who="y")
limit(5000)
told(create)
limit(resource.RLIM_INFINITY)
with create() as journal:
    limit(5000)
    told(lambda: journal.backup(folder / "copy.db"))
    limit(resource.RLIM_INFINITY)
    journal.backup(folder / "copy.db")
    print(journal.verify())
"""


def test_no_room_for_a_new_journal_or_a_backup_is_told_and_leaves_nothing(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(tmp_path)], capture_output=True, text=True, check=True
    )
    creating, copying, problems = done.stdout.splitlines()
    for refusal in (creating, copying):
        assert "disk" in refusal
    assert problems == "()"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.db", "trial.db"]
