"""Kills the journal's writer at random moments, fills its disk, and counts what was lost.

    python tools/fault_run.py --kills 200

Every round starts a real process that adds batches of entries and reports each one as soon as the
journal has confirmed it; the process is killed with SIGKILL at a random moment, then the file is
opened again and every confirmed entry looked for. A kill is not a power cut: what the disk itself
loses then is not seen here. Needs Linux or another POSIX system.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from pathlib import Path

from trialkit.errors import JournalError
from trialkit.journal import Draft, Journal

START = datetime(2026, 1, 1, tzinfo=UTC)
LONGEST_WAIT_S = 0.15
DISK_BYTES = 16 * 1024 * 1024


@dataclass(frozen=True)
class Faults:
    """What a run of one sort of fault did, and what was lost (the last three have to be 0)."""

    fault: str
    rounds: int
    confirmed: int
    cut_off_in_a_write: int
    unconfirmed_but_whole: int
    confirmed_and_lost: int
    half_written: int
    journals_with_problems: int

    @property
    def clean(self) -> bool:
        return not (self.confirmed_and_lost or self.half_written or self.journals_with_problems)


def kill_run(kills: int, seed: int, folder: Path) -> Faults:
    """Kill a writer that adds to one growing journal."""
    moments = random.Random(seed)
    path = folder / "kills.db"
    Journal.create(path, trial_id="fault run", at=START, who="fault run").close()
    confirmed: dict[int, str] = {}
    cut_off = 0
    for round_ in range(kills):
        confirmed |= killed_writer(path, round_, moments.uniform(0, LONGEST_WAIT_S))
        cut_off += path.with_name(path.name + "-journal").exists()
    return account("SIGKILL while adding", kills, confirmed, path, cut_off)


def creation_run(kills: int, seed: int, folder: Path) -> Faults:
    """Kill a process while it creates a journal; the file is then empty or whole."""
    moments = random.Random(seed + 1)
    confirmed = cut_off = lost = problems = 0
    for round_ in range(kills):
        path = folder / f"created-{round_}.db"
        told = killed_writer(path, round_, moments.uniform(0, LONGEST_WAIT_S / 20))
        cut_off += path.with_name(path.name + "-journal").exists()
        confirmed += len(told)
        try:
            with Journal.open(path) as journal:
                problems += bool(journal.verify())
                lost += len(told.items() - {e.number: e.hash for e in journal.entries()}.items())
        except JournalError:
            lost += len(told)
            with Journal.create(path, trial_id="again", at=START, who="fault run") as journal:
                problems += bool(journal.verify())
    return Faults("SIGKILL while creating", kills, confirmed, cut_off, 0, lost, 0, problems)


def full_disk_run(rounds: int, seed: int, folder: Path, limit: int | None = None) -> Faults:
    """Fill the disk to a random free rest, add until it is refused, make room, and go on.

    ``folder`` lies on a small file system; where there is none, ``limit`` is the size in bytes
    to which files of this process may grow.
    """
    rest = random.Random(seed + 2)
    path, filler = folder / "full.db", folder / "filler"
    Journal.create(path, trial_id="fault run", at=START, who="fault run").close()
    confirmed: dict[int, str] = {}
    refused = 0
    for round_ in range(rounds):
        with room(folder, filler, rest.randrange(40_000), limit and path.stat().st_size):
            told, refusal = add_until_refused(path, round_)
        confirmed |= told
        refused += refusal
        with Journal.open(path) as journal:
            again = journal.append("note", note(1), at=START, who="fault run")
        confirmed[again.number] = again.hash
    name = "full disk" if limit is None else "file size limit (no small disk to be had)"
    return account(name, rounds, confirmed, path, refused)


@contextlib.contextmanager
def room(folder: Path, filler: Path, free: int, size: int | None) -> Iterator[None]:
    """Leave only ``free`` bytes on the disk, or let files grow by no more than that."""
    if size is not None:
        # Otherwise the process is ended by a signal where a full disk would give an error.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + free, hard))
        yield
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        return
    filler.write_bytes(bytes(max(shutil.disk_usage(folder).free - free, 0)))
    yield
    filler.unlink()


def add_until_refused(path: Path, round_: int) -> tuple[dict[int, str], bool]:
    """Add batches until the journal says that it cannot."""
    confirmed: dict[int, str] = {}
    with Journal.open(path) as journal:
        for batch in range(500):
            try:
                confirmed |= add_batch(journal, round_, batch)
            except JournalError:
                return confirmed, True
    return confirmed, False


def killed_writer(path: Path, round_: int, wait_s: float) -> dict[int, str]:
    """Run a writer, kill it ``wait_s`` after it has begun, give what it reported as confirmed."""
    command = [sys.executable, __file__, "--write", str(path), "--round", str(round_)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        if writer.stdout.readline() != b"begun\n":
            raise RuntimeError("the writer did not begin")
        time.sleep(wait_s)
        writer.send_signal(signal.SIGKILL)
        lines = writer.stdout.read().splitlines(keepends=True)
    told: dict[int, str] = {}
    for line in lines:
        if line.endswith(b"\n"):
            told |= {int(number): hash_ for number, hash_ in json.loads(line)}
    return told


def write_until_killed(path: Path, round_: int) -> None:
    """Add batches for ever, reporting each as soon as it is confirmed."""
    sys.stdout.write("begun\n")
    sys.stdout.flush()
    journal = (
        Journal.open(path)
        if path.exists()
        else Journal.create(path, trial_id="fault run", at=START, who="fault run")
    )
    batch = 0
    while True:
        told = add_batch(journal, round_, batch)
        sys.stdout.write(json.dumps(list(told.items())) + "\n")
        sys.stdout.flush()
        batch += 1


def add_batch(journal: Journal, round_: int, batch: int) -> dict[int, str]:
    """Add one to four entries of up to 6 kB each, all in one transaction."""
    shape = random.Random(f"{round_}/{batch}")
    size = shape.randint(1, 4)
    drafts = [
        Draft("note", note(shape.randrange(6000), f"{round_}/{batch}/{size}")) for _ in range(size)
    ]
    at = START + timedelta(seconds=batch)
    return {e.number: e.hash for e in journal.append_all(drafts, at=at, who="fault run")}


def note(length: int, label: str = "") -> dict[str, str]:
    return {"text": f"batch {label} " + "." * length}


def account(fault: str, rounds: int, confirmed: dict[int, str], path: Path, cut_off: int) -> Faults:
    """Open the journal as a user would and compare it with what was confirmed."""
    with Journal.open(path, read_only=True) as journal:
        problems = journal.verify()
        there = {e.number: e.hash for e in journal.entries()}
        batches = Counter(
            label
            for e in journal.entries("note")
            if (label := str(e.payload["text"]).split()[1]).count("/")
        )
    half = sum(n != int(label.rsplit("/", 1)[1]) for label, n in batches.items())
    lost = len(confirmed.items() - there.items())
    # The first entry was confirmed when the journal was created.
    return Faults(
        fault=fault,
        rounds=rounds,
        confirmed=len(confirmed) + 1,
        cut_off_in_a_write=cut_off,
        unconfirmed_but_whole=len(there) - len(confirmed) - 1 + lost,
        confirmed_and_lost=lost,
        half_written=half,
        journals_with_problems=int(bool(problems)),
    )


def small_disk(rounds: int, seed: int) -> Faults:
    """Run on a small file system of its own, which vanishes with its process."""
    own = ["unshare", "--user", "--map-root-user", "--mount"]
    script = 'mount -t tmpfs -o size="$1" none "$2" && shift 2 && exec "$@"'
    with tempfile.TemporaryDirectory() as folder:
        inner = [sys.executable, __file__, "--fill", folder, "--kills", str(rounds)]
        inner += ["--seed", str(seed)]
        command = [*own, "sh", "-c", script, "sh", str(DISK_BYTES), folder, *inner]
        try:
            done = subprocess.run(command, capture_output=True, text=True, check=True)
        except (OSError, subprocess.CalledProcessError):
            return full_disk_run(rounds, seed, Path(folder), limit=DISK_BYTES)
    return Faults(**json.loads(done.stdout))


def table(runs: Sequence[Faults]) -> str:
    names = [f.name for f in fields(Faults)]
    rows = [[n.replace("_", " ") for n in names]]
    rows += [[str(getattr(run, n)) for n in names] for run in runs]
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join([lines[0], "|---" * len(names) + "|", *lines[1:]])


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200, help="rounds of each sort of fault")
    parser.add_argument("--seed", type=int, default=1, help="of the random moments")
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--round", type=int, default=0, help=argparse.SUPPRESS)
    parser.add_argument("--fill", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.write is not None:
        write_until_killed(asked.write, asked.round)
    if asked.fill is not None:
        print(json.dumps(vars(full_disk_run(asked.kills, asked.seed, asked.fill))))
        return 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        runs = [
            kill_run(asked.kills, asked.seed, folder),
            creation_run(asked.kills, asked.seed, folder),
            small_disk(asked.kills, asked.seed),
        ]
    print(table(runs))
    return 0 if all(run.clean for run in runs) else 1


if __name__ == "__main__":
    sys.exit(main())
