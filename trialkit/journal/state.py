"""Where a trial stands: what is in force after every correction, read from the entries alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import Generic, TypeVar, cast

from trialkit.errors import JournalError, Problem
from trialkit.journal.entries import Entry
from trialkit.journal.kinds import Kind
from trialkit.journal.records import (
    AnalysisOpened,
    Departure,
    Deviation,
    Exclusion,
    Measured,
    PeriodOpened,
    Phase,
    ProtocolAmended,
    ProtocolFrozen,
    Record,
    Result,
    Schedule,
    SequenceSealed,
    TrialCreated,
    Withdrawal,
)

R_co = TypeVar("R_co", bound=Record, covariant=True)
ValueKey = tuple[Phase, int, str]


@dataclass(frozen=True, slots=True)
class Told(Generic[R_co]):
    """A record with its entry and what became of it.

    ``entries`` are the numbers of the entry first made and of each correction, the last one in
    force. ``late`` tells that one of them was made after the condition of its period had been
    shown to whoever analyses.
    """

    record: R_co
    at: datetime
    who: str
    entries: tuple[int, ...]
    reasons: tuple[str, ...]
    late: bool

    @property
    def entry(self) -> int:
        """Number of the entry in force; a further correction has to name it."""
        return self.entries[-1]

    @property
    def corrected(self) -> bool:
        """Whether it was ever corrected."""
        return len(self.entries) > 1


@dataclass(frozen=True, slots=True)
class TrialState:
    """Where a trial stands.

    ``in_force`` holds every record that stands, in the order of the entries first made;
    ``withdrawn`` those that were taken out of force, as they last read.
    """

    trial_id: str
    in_force: tuple[Told[Record], ...]
    withdrawn: tuple[Told[Record], ...]

    def of(self, record: type[R_co]) -> tuple[Told[R_co], ...]:
        """Give what stands of one sort of record, in order."""
        found = (told for told in self.in_force if isinstance(told.record, record))
        return cast("tuple[Told[R_co], ...]", tuple(found))

    @property
    def values(self) -> Mapping[ValueKey, Told[Result] | Told[Measured]]:
        """Outcome values, typed or measured, by phase, period and outcome."""
        both: tuple[Told[Result] | Told[Measured], ...] = (*self.of(Result), *self.of(Measured))
        found = {(t.record.phase, t.record.period, t.record.outcome): t for t in both}
        return MappingProxyType(dict(sorted(found.items())))

    @property
    def opened(self) -> Mapping[int, PeriodOpened]:
        """Periods taken out of their envelopes, by number."""
        return MappingProxyType({t.record.period: t.record for t in self.of(PeriodOpened)})

    @property
    def protocol(self) -> ProtocolFrozen | ProtocolAmended | None:
        """The protocol in force: its latest amendment, or as it was frozen."""
        for amended in reversed(self.of(ProtocolAmended)):
            return amended.record
        return next((frozen.record for frozen in self.of(ProtocolFrozen)), None)

    @property
    def schedule(self) -> Schedule | None:
        """The latest schedule."""
        revisions = self.of(Schedule)
        return revisions[-1].record if revisions else None

    @property
    def planned(self) -> int:
        """Number of periods in the sequence in force."""
        seals = self.of(SequenceSealed)
        return seals[-1].record.first_period + seals[-1].record.count - 1 if seals else 0

    def seal_of(self, period: int) -> SequenceSealed | None:
        """Give the seal that holds a period: the latest one drawn for it."""
        for told in reversed(self.of(SequenceSealed)):
            if period >= told.record.first_period:
                inside = period < told.record.first_period + told.record.count
                return told.record if inside else None
        return None

    @property
    def next_period(self) -> int | None:
        """The period to be opened next; None when none is left.

        Missed periods are passed over; moved and swapped ones wait until the others are done.
        """
        left = set(range(1, self.planned + 1)) - self.opened.keys()
        left -= self.periods_with(Departure.MISSED)
        waiting = self.periods_with(Departure.MOVED) | self.periods_with(Departure.SWAPPED)
        return min(left, key=lambda n: (n in waiting, n), default=None)

    def periods_with(self, departure: Departure) -> frozenset[int]:
        """Give the periods that departed from the plan in one way."""
        told = self.of(Deviation)
        return frozenset(t.record.period for t in told if t.record.what is departure)

    def excluded(self, outcome: str) -> Mapping[int, Told[Exclusion]]:
        """Give the exclusions that hold for an outcome, by period."""
        told = self.of(Exclusion)
        return MappingProxyType(
            {t.record.period: t for t in told if t.record.outcome in (None, outcome)}
        )


def replay(entries: Iterable[Entry]) -> TrialState:
    """Read where a trial stands from its entries, in order.

    Raises
    ------
    JournalError
        When the first entry does not create a trial.
    """
    entries = tuple(entries)
    first = entries[0].record if entries else None
    if not isinstance(first, TrialCreated):
        raise JournalError(
            Problem(
                where="journal",
                found="no entry that creates the trial",
                wrong="every journal begins with one.",
                fix="run verify on the trial's folder.",
            )
        )
    chains = _chains(entries)
    shown = _shown(entries)
    told = [_told(chain, shown) for chain in chains]
    ended = [isinstance(chain[-1].record, Withdrawal) for chain in chains]
    return TrialState(
        trial_id=first.trial_id,
        in_force=tuple(t for t, out in zip(told, ended, strict=True) if not out),
        withdrawn=tuple(t for t, out in zip(told, ended, strict=True) if out),
    )


def history_of(entries: Iterable[Entry], number: int) -> tuple[Entry, ...]:
    """Give an entry together with everything it corrects and everything that corrects it."""
    return next((c for c in _chains(entries) if number in {e.number for e in c}), ())


def _chains(entries: Iterable[Entry]) -> list[tuple[Entry, ...]]:
    chain_of: dict[int, list[Entry]] = {}
    chains = []
    for entry in entries:
        if entry.corrects is None:
            chains.append(chain_of.setdefault(entry.number, [entry]))
        else:
            chain_of[entry.number] = chain_of[entry.corrects]
            chain_of[entry.number].append(entry)
    return [tuple(chain) for chain in chains]


def _shown(entries: Iterable[Entry]) -> list[tuple[int, tuple[int, ...] | None]]:
    opened = ((e.number, e.record) for e in entries if e.kind is Kind.ANALYSIS_OPENED)
    return [(number, r.periods) for number, r in opened if isinstance(r, AnalysisOpened)]


def _told(
    chain: tuple[Entry, ...], shown: list[tuple[int, tuple[int, ...] | None]]
) -> Told[Record]:
    # A withdrawal says nothing itself: what was withdrawn is shown as it last read.
    last = next(e for e in reversed(chain) if e.kind is not Kind.WITHDRAWAL)
    return Told(
        record=last.record,
        at=last.at,
        who=last.who,
        entries=tuple(entry.number for entry in chain),
        reasons=tuple(entry.reason for entry in chain if entry.reason is not None),
        late=any(_is_late(entry, last.record, shown) for entry in chain),
    )


def _is_late(entry: Entry, record: Record, shown: list[tuple[int, tuple[int, ...] | None]]) -> bool:
    period = getattr(record, "period", None)
    return period is not None and any(
        entry.number > number and (periods is None or period in periods)
        for number, periods in shown
    )
