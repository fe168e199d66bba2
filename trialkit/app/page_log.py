"""What the journal tells beside the results: departures, changes, harms, guesses, the seal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from trialkit.app.trials import Trial
from trialkit.app.unsealing import drawn_order
from trialkit.domain.allocations import Allocation
from trialkit.journal import Entry
from trialkit.journal.records import (
    AnalysisOpened,
    Delivered,
    Deviation,
    Exclusion,
    Expectation,
    Fidelity,
    Guess,
    Look,
    Measured,
    Note,
    ProtocolAmended,
    ProtocolFrozen,
    Record,
    Result,
    SequenceSealed,
)
from trialkit.journal.records import Harm as HarmRecord
from trialkit.journal.state import history_of
from trialkit.report.content import Amendment, BlindingRecord, Harm, LogEntry, SealFacts
from trialkit.report.words.pictures import lower_first

LATE = ", after the data were opened"


def deviations(trial: Trial, entries: tuple[Entry, ...]) -> tuple[LogEntry, ...]:
    """Everything that did not go as planned or was entered anew, in the order of entry."""
    told = (
        *_departures(trial),
        *_deliveries(trial),
        *_corrections(trial, entries),
        *_withdrawals(trial),
        *_exclusions(trial),
        *_redraws(trial),
        *(
            LogEntry(when(t.at), t.record.text, t.record.period, t.who)
            for t in trial.state.of(Note)
        ),
    )
    return tuple(sorted(told, key=lambda entry: entry.when))


def when(moment: datetime) -> str:
    """Day and minute of an entry."""
    return moment.strftime("%Y-%m-%d %H:%M")


def _departures(trial: Trial) -> Iterator[LogEntry]:
    for told in trial.state.of(Deviation):
        record = told.record
        text = f"{record.what}: {record.reason}"
        if record.moved_to is not None:
            text += f" (to {record.moved_to})"
        if record.swapped_with is not None:
            text += f" (with period {record.swapped_with})"
        yield LogEntry(when(told.at), text, record.period, told.who)


def _deliveries(trial: Trial) -> Iterator[LogEntry]:
    labels = {c.name: c.label for c in trial.plan.conditions}
    for told in trial.state.of(Delivered):
        record = told.record
        opened = trial.state.opened.get(record.period)
        parts = []
        if opened is not None and opened.condition not in (None, record.condition):
            drawn = labels.get(opened.condition or "", opened.condition or "")
            parts.append(f"{labels.get(record.condition, record.condition)} instead of {drawn}")
        if record.fidelity is not Fidelity.FULL:
            kept = "in part" if record.fidelity is Fidelity.PARTIAL else "not at all"
            parts.append(f"recipe kept {kept}")
        if parts:
            detail = f" ({record.detail})" if record.detail else ""
            yield LogEntry(when(told.at), "; ".join(parts) + detail, record.period, told.who)


def _corrections(trial: Trial, entries: tuple[Entry, ...]) -> Iterator[LogEntry]:
    for (phase, period, name), value in trial.state.values.items():
        if value.corrected:
            first = history_of(entries, value.entry)[0].record
            change = f"{_figure(first)} → {_figure(value.record)}"
            where = "" if phase == "trial" else f" ({phase})"
            late = LATE if value.late else ""
            text = f"{name}{where} corrected{late}, {change}: {'; '.join(value.reasons)}"
            yield LogEntry(when(value.at), text, period, value.who)


def _figure(record: Record) -> str:
    if not isinstance(record, Measured | Result) or record.value is None:
        return "no value"
    return f"{record.value:.6g} {record.unit or ''}".strip()


def _withdrawals(trial: Trial) -> Iterator[LogEntry]:
    for told in trial.state.withdrawn:
        kind = type(told.record).__name__.lower()
        text = f"{kind} withdrawn{LATE if told.late else ''}: {'; '.join(told.reasons)}"
        yield LogEntry(when(told.at), text, getattr(told.record, "period", None), told.who)


def _exclusions(trial: Trial) -> Iterator[LogEntry]:
    labels = {o.name: lower_first(o.label) for o in trial.plan.outcomes}
    for told in trial.state.of(Exclusion):
        record = told.record
        what = record.outcome or "all outcomes"
        late = f" late{LATE}" if record.late else ""
        text = f"excluded{late} ({labels.get(what, what)}): {record.reason}"
        yield LogEntry(when(told.at), text, record.period, told.who)


def _redraws(trial: Trial) -> Iterator[LogEntry]:
    for told in trial.state.of(SequenceSealed)[1:]:
        first = told.record.first_period
        text = f"order drawn anew from period {first} on: {told.record.reason or 'no reason given'}"
        yield LogEntry(when(told.at), text, None, told.who)


def amendments(trial: Trial) -> Iterator[Amendment]:
    """Yield every changed field of every later version of the protocol."""
    shown = [t.entry for kind in (AnalysisOpened, Look) for t in trial.state.of(kind)]
    for told in trial.state.of(ProtocolAmended):
        late = bool(shown) and told.entry > min(shown)
        for text in told.record.differences:
            field, _, change = text.partition(": ")
            before, _, after = change.partition(" → ")
            yield Amendment(when(told.at), field, before, after, told.record.reason, late=late)


def harms(trial: Trial) -> tuple[Harm, ...] | None:
    """Give harms by condition; None when nobody entered any, so nobody may have asked."""
    found = trial.state.of(HarmRecord)
    if not found:
        return None
    delivered = trial.delivered()
    return tuple(
        Harm(
            period=t.record.period,
            condition=delivered.get(t.record.period or 0) if t.record.phase == "trial" else None,
            text=t.record.what,
            severity=str(t.record.grade),
        )
        for t in found
        if t.record.what.strip().lower() != "none"
    )


def blinding(trial: Trial) -> tuple[BlindingRecord, ...]:
    """Give each person's guesses against what was delivered, with what they expected."""
    guesses = [t.record for t in trial.state.of(Guess)]
    expected = [t.record for t in trial.state.of(Expectation)]
    delivered = trial.delivered()
    labels = {c.name: c.label for c in trial.plan.conditions}
    people = sorted({*(g.person for g in guesses), *(e.person for e in expected)})
    found = []
    for who in people:
        mine = [g for g in guesses if g.person == who]
        told = [g for g in mine if g.condition is not None]
        wishes = [labels.get(e.expects or "", "no difference") for e in expected if e.person == who]
        record = BlindingRecord(
            who=who,
            guesses=len(told),
            correct=sum(g.condition == delivered.get(g.period) for g in told),
            chance_correct=1 / len(trial.plan.conditions),
            expectation=", then ".join(dict.fromkeys(wishes)),
            unknown=len(mine) - len(told),
        )
        found.append(record)
    return tuple(found)


def seal_facts(trial: Trial, head: str) -> SealFacts | None:
    """Give what ties the page to the plan; the seed once nothing is left to be opened."""
    seals, frozen = trial.state.of(SequenceSealed), trial.state.of(ProtocolFrozen)
    if not seals or not frozen:
        return None
    order = drawn_order(trial)
    return SealFacts(
        protocol_sha256=frozen[0].record.sha256,
        commitment=seals[-1].record.commitment,
        seed=order.seed if isinstance(order, Allocation) else None,
        method=order.method if isinstance(order, Allocation) else "",
        frozen_at=when(frozen[0].at),
        journal_head=head,
        why_no_seed="" if isinstance(order, Allocation) else order,
    )
