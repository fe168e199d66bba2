"""Replay a trial's journal and everything that hangs on it."""

from __future__ import annotations

from base64 import b64decode
from hashlib import sha256
from pathlib import Path

from trialkit.app.answers import Answer
from trialkit.app.documents import problems_document
from trialkit.app.folders import TrialFolder, trial_folder
from trialkit.design.allocation import draw
from trialkit.errors import JournalError, Problem, TrialkitError
from trialkit.journal import Journal
from trialkit.journal.records import ProtocolFrozen, RecordingStored, SequenceSealed
from trialkit.journal.seal import Seal
from trialkit.journal.state import TrialState, replay
from trialkit.protocol import loads, protocol_sha256


def verify(root: Path) -> Answer:
    """Check chain, seal, protocol, draw and recordings; the first fault comes first.

    Raises
    ------
    JournalError
        When the journal cannot be opened at all.
    """
    folder = trial_folder(root)
    with Journal.open(folder.journal, read_only=True) as journal:
        problems = list(journal.verify())
        checked = ["journal: hash chain, rules and database"]
        if not problems:
            entries = journal.entries()
            head = journal.head
            state = replay(entries)
            checked.append(f"journal: {len(entries)} entries, head {head}")
            problems += [*_seal_problems(state, checked), *_protocol_problems(folder, state)]
            problems += _recording_problems(folder, state)
            checked.append(f"recordings: {len(state.of(RecordingStored))} stored files")
    ok = not problems
    lines = [f"checked  {text}" for text in checked]
    for p in problems:
        lines += [f"FAULT    {p.where}: found {p.found}", f"         {p.wrong} Fix: {p.fix}"]
    lines.append("All in order." if ok else f"{len(problems)} fault(s).")
    return Answer(
        "\n".join(lines),
        {"ok": ok, "checked": checked, "problems": problems_document(tuple(problems))},
        exit_status=0 if ok else JournalError.exit_status,
    )


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
        checked.append(f"seal: commitment {record.commitment}, seed {allocation.seed}")
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
    if frozen is None or protocol_sha256(folder.protocol.read_bytes()) == frozen.sha256:
        return []
    return [
        Problem(
            where=str(folder.protocol),
            found="a text other than the frozen one",
            wrong="the protocol file was edited after the draw.",
            fix="put the frozen text back, or record the change: trialkit record --amend.",
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
