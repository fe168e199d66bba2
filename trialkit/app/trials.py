"""An opened trial: its frozen plan, where it stands, and adding to its journal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from trialkit.app.folders import TrialFolder, trial_folder
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Entry, Journal
from trialkit.journal.records import Delivered, Deviation, Phase
from trialkit.journal.state import TrialState, replay
from trialkit.protocol import Protocol, loads, protocol_sha256, read_protocol_text


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial as it stands. The plan is the one in the journal, never the file beside it."""

    folder: TrialFolder
    protocol: Protocol
    plan: Plan
    state: TrialState

    def add(self, drafts: list[Draft], *, at: datetime, who: str) -> tuple[Entry, ...]:
        """Append entries, all or none."""
        with Journal.open(self.folder.journal) as journal:
            return tuple(journal.append_all(drafts, at=at, who=who))

    @property
    def done(self) -> frozenset[int]:
        """Opened periods that have a value, a recording or a deviation."""
        held = {n for phase, n, _ in self.state.values if phase is Phase.TRIAL}
        return frozenset(held | {t.record.period for t in self.state.of(Deviation)})

    @property
    def current(self) -> int | None:
        """The opened period that still waits for its result; the earliest, if several do."""
        return min(self.state.opened.keys() - self.done, default=None)

    def delivered(self) -> Mapping[int, str]:
        """Condition by opened period: as really delivered, or as opened."""
        told = {t.record.period: t.record.condition for t in self.state.of(Delivered)}
        return {n: told.get(n) or p.condition or "" for n, p in self.state.opened.items()}


def open_trial(root: Path) -> Trial:
    """Open a trial whose order has been drawn.

    Raises
    ------
    RequestError
        When the folder holds no trial, or no order was drawn yet.
    JournalError
        When the journal cannot be read.
    """
    folder = trial_folder(root)
    if not folder.journal.exists():
        raise RequestError(
            Problem(
                where=str(root),
                found="a protocol without a drawn order",
                wrong="the order has to be drawn first.",
                fix=f"run: trialkit randomise {root}",
            )
        )
    with Journal.open(folder.journal, read_only=True) as journal:
        state = replay(journal.entries())
    frozen = state.protocol
    if frozen is None:
        raise RequestError(
            Problem(
                where=str(folder.journal),
                found="a journal without a frozen protocol",
                wrong="the draw did not finish.",
                fix="move trial.db away and run: trialkit randomise.",
            )
        )
    protocol = loads(frozen.text, where="the frozen protocol")
    return Trial(folder, protocol, protocol.plan(), state)


def file_departs(trial: Trial) -> bool:
    """Whether protocol.toml is no longer the protocol in force."""
    text = read_protocol_text(trial.folder.protocol)
    frozen = trial.state.protocol
    return frozen is not None and protocol_sha256(text.encode()) != frozen.sha256


def period_or_current(trial: Trial, period: int | None) -> int:
    """The period meant by a request: the one named, or the opened one that waits.

    Raises
    ------
    RequestError
        When the period was not opened, or none waits.
    """
    if period is None:
        period = trial.current
    if period is None:
        raise RequestError(
            Problem(
                where="--period",
                found="no period",
                wrong="no opened period waits for a result.",
                fix="open one with `trialkit next`, or name the period with --period.",
            )
        )
    if period not in trial.state.opened:
        raise RequestError(
            Problem(
                where="--period",
                found=str(period),
                wrong="this period has not been opened.",
                fix="open periods in their order with `trialkit next`.",
            )
        )
    return period


def entry_lines(entries: tuple[Entry, ...]) -> list[str]:
    """One line per new entry, for people."""
    return [f"entry {e.number}: {e.kind} {_told(e.payload)}".rstrip() for e in entries]


def _told(payload: Mapping[str, Any]) -> str:
    shown = {k: v for k, v in payload.items() if isinstance(v, str | int | float) and k != "text"}
    return ", ".join(f"{k} {v}" for k, v in shown.items())
