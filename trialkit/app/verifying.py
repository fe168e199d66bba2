"""Replay a trial's journal and everything that hangs on it."""

from __future__ import annotations

from base64 import b64decode
from hashlib import sha256
from itertools import count
from pathlib import Path

from trialkit.app.answers import Answer
from trialkit.app.documents import problems_document
from trialkit.app.entry_words import entry_lines
from trialkit.app.folders import TrialFolder, trial_folder, write_file
from trialkit.app.trials import departs_warning, open_trial
from trialkit.design.allocation import draw
from trialkit.errors import JournalError, Problem, TrialkitError
from trialkit.journal import Journal
from trialkit.journal.records import ProtocolFrozen, RecordingStored, SequenceSealed
from trialkit.journal.seal import Seal
from trialkit.journal.state import TrialState, replay
from trialkit.protocol import loads, protocol_sha256


def verify(root: Path, *, list_entries: bool = False) -> Answer:
    """Check chain, seal, protocol, draw and recordings; the first fault comes first.

    Raises
    ------
    JournalError
        When the journal cannot be opened at all.
    """
    folder = trial_folder(root)
    told: list[str] = []
    with Journal.open(folder.journal, read_only=True) as journal:
        problems = list(journal.verify())
        checked = ["journal: hash chain, rules and database"]
        if not problems:
            entries = journal.entries()
            state = replay(entries)
            checked.append(f"journal: {len(entries)} entries, head {journal.head}")
            problems += [*_seal_problems(state, checked), *_protocol_problems(folder, state)]
            problems += _recording_problems(folder, state)
            checked.append(f"recordings: {len(state.of(RecordingStored))} stored files")
            told = entry_lines(entries) if list_entries else []
    ok = not problems
    lines = [*told, *(f"checked  {text}" for text in checked)]
    for p in problems:
        lines += [f"FAULT    {p.where}: found {p.found}", f"         {p.wrong} Fix: {p.fix}"]
    faults = "one fault" if len(problems) == 1 else f"{len(problems)} faults"
    lines.append("All in order." if ok else f"{faults}.".capitalize())
    document = {"ok": ok, "checked": checked, "problems": problems_document(tuple(problems))}
    if list_entries:
        document["entries"] = told
    return Answer("\n".join(lines), document, exit_status=0 if ok else JournalError.exit_status)


def restore_protocol(root: Path) -> None:
    """Write the protocol in force back; an edited file is kept beside it under another name."""
    trial = open_trial(root)
    frozen = trial.state.protocol
    if frozen is None or not departs_warning(trial):
        return
    if trial.folder.protocol.exists():
        kept = next(
            path
            for n in count(1)
            if not (path := trial.folder.root / f"protocol.edited-{n}.toml").exists()
        )
        trial.folder.protocol.rename(kept)
    write_file(trial.folder.protocol, frozen.text.encode())


def _seal_problems(state: TrialState, checked: list[str]) -> list[Problem]:
    """Open every seal whose key is here and draw its order again from the seed."""
    found: list[Problem] = []
    first = state.of(ProtocolFrozen)
    for told in state.of(SequenceSealed):
        record = told.record
        if record.key is None:
            checked.append(f"seal: commitment {record.commitment} (keys are with a keyholder)")
            continue
        try:
            allocation = Seal.from_record(record).open_all(b64decode(record.key))
        except TrialkitError as error:
            found += error.problems
            continue
        # Who knows the seed can draw the order: it is told only when nothing is sealed any more.
        seed = f", seed {allocation.seed}" if state.next_period is None else ""
        checked.append(f"seal: commitment {record.commitment}{seed}")
        if record.reason is None and first:
            plan = loads(first[0].record.text, where="the frozen protocol").plan()
            if draw(plan, seed=allocation.seed) != allocation:
                found.append(
                    Problem(
                        where=f"entry {told.entry}",
                        found="an order that its seed does not give",
                        wrong="the sealed order was not drawn from the frozen protocol.",
                        fix="go back to a copy of the folder from before the change.",
                    )
                )
        found += _opened_problems(state, record, allocation.sequence)
    return found


def _opened_problems(
    state: TrialState, record: SequenceSealed, sequence: tuple[str, ...]
) -> list[Problem]:
    return [
        Problem(
            where=f"period {number}",
            found=f"opened as {opened.condition!r}",
            wrong="the seal holds another condition for this period.",
            fix="go back to a copy of the folder from before the change.",
        )
        for number, opened in state.opened.items()
        if state.seal_of(number) == record
        and opened.condition != sequence[number - record.first_period]
    ]


def _protocol_problems(folder: TrialFolder, state: TrialState) -> list[Problem]:
    frozen = state.protocol
    there = folder.protocol.is_file()
    if frozen is None or (there and protocol_sha256(folder.protocol.read_bytes()) == frozen.sha256):
        return []
    return [
        Problem(
            where=str(folder.protocol),
            found="a text other than the frozen one" if there else "no file",
            wrong="the protocol file was edited or removed after the draw.",
            fix="put the frozen text back (trialkit verify --restore), or record the change: "
            "trialkit record --amend.",
        )
    ]


def _recording_problems(folder: TrialFolder, state: TrialState) -> list[Problem]:
    found = []
    for told in state.of(RecordingStored):
        digest = told.record.sha256
        paths = sorted(folder.recordings.glob(f"{digest}*"))
        if not paths:
            what = "no file"
        elif sha256(paths[0].read_bytes()).hexdigest() != digest:
            what = "a file whose content does not give its name"
        else:
            continue
        found.append(
            Problem(
                where=f"recordings, entry {told.entry} ({told.record.name})",
                found=what,
                wrong="the stored original is missing or was changed.",
                fix="put the original back from a copy of the folder.",
            )
        )
    return found
