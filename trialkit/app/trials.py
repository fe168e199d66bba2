"""An opened trial: its frozen plan, where it stands, and adding to its journal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from trialkit.app.folders import TrialFolder, trial_folder
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Entry, Journal
from trialkit.journal.records import Delivered, Departure, PeriodOpened, Phase
from trialkit.journal.state import TrialState, replay
from trialkit.protocol import Protocol, loads, protocol_sha256


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
        """Periods that wait for nothing: the primary outcome was entered, or they came to nothing.

        Without a single primary outcome any value will do.
        """
        primary = self.plan.primary
        held = {
            period
            for phase, period, outcome in self.state.values
            if phase is Phase.TRIAL and (primary is None or outcome == primary.name)
        }
        ended = (Departure.MISSED, Departure.ABORTED)
        return frozenset(held.union(*(self.state.periods_with(what) for what in ended)))

    @property
    def current(self) -> int | None:
        """The opened period that still waits for its result; the earliest, if several do."""
        return min(self.state.opened.keys() - self.done, default=None)

    @property
    def last_opened(self) -> int | None:
        """The period opened last."""
        told = self.state.of(PeriodOpened)
        return told[-1].record.period if told else None

    @property
    def finished(self) -> bool:
        """Whether every period was opened or missed, and none waits for its result."""
        return self.state.next_period is None and self.current is None

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


def period_or_current(trial: Trial, period: int | None) -> int:
    """The period meant by a request: the one named, the one that waits, or the one opened last.

    Raises
    ------
    RequestError
        When the period was not opened, or none was opened yet.
    """
    if period is None:
        period = trial.current or trial.last_opened
    if period is not None and period in trial.state.opened:
        return period
    planned = trial.state.planned
    beyond = period is not None and not 1 <= period <= planned
    raise RequestError(
        Problem(
            where="--period",
            found="no opened period" if period is None else str(period),
            wrong=f"the trial has periods 1 to {planned}."
            if beyond
            else "this period has not been opened, so nobody can know what was applied in it.",
            fix="name one of them."
            if beyond
            else "open periods in their order with `trialkit next`.",
        )
    )


def departs_warning(trial: Trial) -> list[str]:
    """Say so when protocol.toml is no longer the protocol in force."""
    try:
        found = protocol_sha256(trial.folder.protocol.read_bytes())
    except OSError:
        return ["protocol.toml cannot be read; the frozen protocol in the journal is used."]
    frozen = trial.state.protocol
    if frozen is None or found == frozen.sha256:
        return []
    return [
        "protocol.toml was edited after the draw; the frozen protocol is used. Record the change "
        "with `trialkit record --amend`, or put the text back with `trialkit verify --restore`."
    ]
