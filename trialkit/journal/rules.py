"""Which entry may follow which: what the journal refuses however well the entry is formed.

The rules are checked twice with the same code: when an entry is added (under the write lock, so
that two people at one folder cannot both be first) and again by ``verify``.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import copy
from dataclasses import dataclass, field

from trialkit.errors import Problem
from trialkit.journal.kinds import Kind
from trialkit.journal.records import (
    AnalysisOpened,
    Delivered,
    Departure,
    Deviation,
    Exclusion,
    Guess,
    Measured,
    PeriodOpened,
    Phase,
    ProtocolAmended,
    ProtocolFrozen,
    Record,
    Result,
    Schedule,
    SequenceSealed,
    Withdrawal,
)

Slot = tuple[object, ...]
_VALUES = (Kind.RESULT, Kind.MEASURED)


@dataclass
class History:
    """What has been written so far, as far as the rules ask about it."""

    records: dict[int, tuple[Kind, Record]] = field(default_factory=dict)
    replaced_by: dict[int, int] = field(default_factory=dict)
    slots: dict[Slot, int] = field(default_factory=dict)
    opened: set[int] = field(default_factory=set)
    sealed: int = 0
    protocol_sha256: str | None = None
    version: int = 0
    revision: int = 0
    analysed: list[set[int] | None] = field(default_factory=list)

    def copy(self) -> History:
        """Give a history that can be carried on without changing this one."""
        twin = copy(self)
        for name in ("records", "replaced_by", "slots", "opened", "analysed"):
            setattr(twin, name, copy(getattr(self, name)))
        return twin

    def add(self, kind: Kind, record: Record, corrects: int | None) -> None:
        """Take one more entry in; it has been checked by `refusals`."""
        number = len(self.records) + 1
        self.records[number] = (kind, record)
        if corrects is not None:
            self.replaced_by[corrects] = number
            self.slots.pop(_slot(*self.records[corrects]) or (), None)
        slot = _slot(kind, record)
        if slot is not None:
            self.slots[slot] = number
        self._remember(record)

    def _remember(self, record: Record) -> None:
        match record:
            case ProtocolFrozen():
                self.protocol_sha256, self.version = record.sha256, 1
            case ProtocolAmended():
                self.protocol_sha256, self.version = record.sha256, record.version
            case SequenceSealed():
                self.sealed = record.first_period + record.count - 1
            case PeriodOpened():
                self.opened.add(record.period)
            case AnalysisOpened():
                self.analysed.append(None if record.periods is None else set(record.periods))
            case Schedule():
                self.revision = record.revision

    def conditions_seen(self, period: int) -> bool:
        """Whether the analyst has been shown this period's condition."""
        return any(shown is None or period in shown for shown in self.analysed)

    def excused(self, period: int) -> bool:
        """Whether a deviation in force says why the period was not opened in its turn."""
        return any(
            isinstance(record, Deviation)
            and record.period == period
            and record.what is not Departure.ABORTED
            for number, (_, record) in self.records.items()
            if number not in self.replaced_by
        )


def refusals(
    history: History, kind: Kind, record: Record, corrects: int | None
) -> Iterator[Problem]:
    """Yield every reason why this entry may not follow what has been written so far."""
    if (kind is Kind.TRIAL_CREATED) != (not history.records):
        yield _refusal(
            kind,
            "an entry after the first" if history.records else "the first entry",
            "a journal begins with trial-created, once.",
            "start a new journal for a new trial.",
        )
    if corrects is None:
        yield from _uncorrecting(history, kind, record)
    else:
        yield from _correcting(history, kind, record, corrects)
    yield from _out_of_order(history, record)


def _uncorrecting(history: History, kind: Kind, record: Record) -> Iterator[Problem]:
    if isinstance(record, Withdrawal):
        yield _refusal(
            kind, "no entry named", "a withdrawal takes one entry out of force.", "name the entry."
        )
    yield from _taken(history, kind, record)


def _taken(history: History, kind: Kind, record: Record) -> Iterator[Problem]:
    holder = history.slots.get(_slot(kind, record) or ())
    if holder is not None:
        told = ", ".join(f"{n} {getattr(record, n)}" for n in record.slot or ())
        yield _refusal(
            kind,
            f"a second {kind}" + (f" for {told}" if told else ""),
            f"entry {holder} says it already, and nothing is ever written over.",
            f"correct entry {holder}, with a reason."
            if record.correctable
            else "leave it: this cannot be taken back.",
        )


def _correcting(history: History, kind: Kind, record: Record, corrects: int) -> Iterator[Problem]:
    target = history.records.get(corrects)
    if target is None:
        yield _refusal(
            kind,
            f"a correction of entry {corrects}",
            f"the journal has {len(history.records)} entries.",
            "name the number of an entry that is there.",
        )
        return
    old_kind, old = target
    if corrects in history.replaced_by:
        latest = history.replaced_by[corrects]
        yield _refusal(
            kind,
            f"a correction of entry {corrects}",
            f"entry {latest} has corrected it already.",
            f"look at entry {latest} and correct that one if it is wrong.",
        )
    if not old.correctable:
        yield _refusal(
            kind,
            f"a correction of entry {corrects} ({old_kind})",
            "what it tells of cannot be taken back.",
            "add a note instead.",
        )
    same = kind is old_kind or (kind in _VALUES and old_kind in _VALUES)
    if not same and kind is not Kind.WITHDRAWAL:
        yield _refusal(
            kind,
            f"{kind} in place of {old_kind}",
            "a correction says the same sort of thing as the entry it corrects.",
            f"give a {old_kind}, or withdraw entry {corrects}.",
        )
    if history.slots.get(_slot(kind, record) or ()) != corrects:
        yield from _taken(history, kind, record)


def _out_of_order(history: History, record: Record) -> Iterator[Problem]:
    match record:
        case ProtocolAmended():
            yield from _amended(history, record)
        case SequenceSealed():
            yield from _sealed(history, record)
        case PeriodOpened():
            yield from _opened(history, record)
        case Result() | Measured() if record.phase is Phase.TRIAL:
            yield from _needs_opening(history, record.period)
        case Delivered() | Guess():
            yield from _needs_opening(history, record.period)
        case Exclusion():
            yield from _excluded(history, record)
        case Schedule() if record.revision != history.revision + 1:
            yield _refusal(
                Kind.SCHEDULE,
                f"revision {record.revision}",
                f"the last one was {history.revision}.",
                f"give revision {history.revision + 1}.",
            )


def _amended(history: History, record: ProtocolAmended) -> Iterator[Problem]:
    if not history.version:
        yield _refusal(
            Kind.PROTOCOL_AMENDED,
            "no frozen protocol",
            "a plan that is not frozen needs no amendment.",
            "change the file and randomise.",
        )
    elif record.version != history.version + 1:
        yield _refusal(
            Kind.PROTOCOL_AMENDED,
            f"version {record.version}",
            f"the last version is {history.version}.",
            f"give version {history.version + 1}.",
        )


def _sealed(history: History, record: SequenceSealed) -> Iterator[Problem]:
    if record.protocol_sha256 != history.protocol_sha256:
        yield _refusal(
            Kind.SEQUENCE_SEALED,
            f"a sequence for the protocol {record.protocol_sha256[:12]}",
            "it is not the protocol in force here.",
            "freeze or amend the protocol first, then draw from it.",
        )
    first_free = max(history.opened, default=0) + 1
    if not first_free <= record.first_period <= history.sealed + 1:
        yield _refusal(
            Kind.SEQUENCE_SEALED,
            f"a sequence from period {record.first_period} on",
            f"periods are opened up to {first_free - 1} and sealed up to {history.sealed}.",
            f"draw anew from a period of {first_free} to {history.sealed + 1}.",
        )
    if history.sealed and record.reason is None:
        yield _refusal(
            Kind.SEQUENCE_SEALED,
            "a second drawing without a reason",
            "whoever reads the report has to see why the order was drawn again.",
            "give the reason.",
        )


def _opened(history: History, record: PeriodOpened) -> Iterator[Problem]:
    if record.period > history.sealed:
        yield _refusal(
            Kind.PERIOD_OPENED,
            f"period {record.period}",
            f"{history.sealed} periods are sealed.",
            "randomise first, or name a period of the sequence.",
        )
    waiting = [
        n for n in range(1, record.period) if n not in history.opened and not history.excused(n)
    ]
    if waiting:
        yield _refusal(
            Kind.PERIOD_OPENED,
            f"period {record.period}",
            f"period {waiting[0]} comes first; opening ahead gives the order away.",
            f"open period {waiting[0]}, or record why it was missed.",
        )


def _needs_opening(history: History, period: int) -> Iterator[Problem]:
    if period not in history.opened:
        yield Problem(
            where="period",
            found=f"period {period}",
            wrong="it has not been opened, so nobody can know what was applied in it.",
            fix="open it first (next), or check the number.",
        )


def _excluded(history: History, record: Exclusion) -> Iterator[Problem]:
    late = history.conditions_seen(record.period)
    if late != record.late:
        yield _refusal(
            Kind.EXCLUSION,
            f"late = {str(record.late).lower()}",
            "the conditions had been opened to the analyst."
            if late
            else "the conditions have not been opened to the analyst.",
            f"mark it late = {str(late).lower()}.",
        )


def _slot(kind: Kind, record: Record) -> Slot | None:
    if record.slot is None:
        return None
    # A typed result and a measured one are two ways to the same number: they share a slot.
    group = Kind.RESULT if kind in _VALUES else kind
    return (group, *(getattr(record, name) for name in record.slot))


def _refusal(kind: Kind, found: str, wrong: str, fix: str) -> Problem:
    return Problem(where=str(kind), found=found, wrong=wrong, fix=fix)
