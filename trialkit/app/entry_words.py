"""Journal entries in one plain line each, for people."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from trialkit.journal import Entry
from trialkit.journal import records as r


def entry_lines(entries: Iterable[Entry]) -> list[str]:
    """One line per entry: its number and what it says. Sealed conditions are not in entries."""
    return [f"entry {e.number}: {_words(e.record)}{_because(e)}" for e in entries]


def _words(record: r.Record) -> str:
    say = _SAID.get(type(record))
    return say(record) if say else type(record).__name__.lower()


def _because(entry: Entry) -> str:
    corrected = f" (in place of entry {entry.corrects})" if entry.corrects else ""
    return corrected + (f", because: {entry.reason}" if entry.reason else "")


def _place(record: Any) -> str:
    if record.phase is r.Phase.TRIAL:
        return f"period {record.period}"
    return f"{record.phase} {record.period}"


def _at(record: Any) -> str:
    return f" (period {record.period})" if record.period else ""


def _result(x: r.Result | r.Measured) -> str:
    if isinstance(x, r.Measured) and x.value is None:
        return f"{_place(x)}: {x.outcome} has no value, {x.reason}"
    return f"{_place(x)}: {x.outcome} {x.value:.6g} {x.unit or ''}".rstrip()


def _deviation(x: r.Deviation) -> str:
    day = f" to {x.moved_to}" if x.moved_to else ""
    return f"period {x.period} {x.what}{day}: {x.reason}"


def _exclusion(x: r.Exclusion) -> str:
    late = " late" if x.late else ""
    return f"period {x.period} excluded{late}: {x.reason}"


_SAID: Mapping[type[r.Record], Callable[[Any], str]] = {
    r.TrialCreated: lambda x: f"trial {x.trial_id} created",
    r.ProtocolFrozen: lambda x: f"protocol frozen, SHA-256 {x.sha256}",
    r.ProtocolAmended: lambda x: f"protocol version {x.version}: {'; '.join(x.differences)}",
    r.SequenceSealed: lambda x: f"order of {x.count} periods sealed, commitment {x.commitment}",
    r.PeriodOpened: lambda x: f"period {x.period} opened",
    r.Result: _result,
    r.Measured: _result,
    r.RecordingStored: lambda x: f"recording {x.name} stored ({x.format}){_at(x)}",
    r.Deviation: _deviation,
    r.Delivered: lambda x: f"period {x.period}: given was {x.condition} ({x.fidelity})",
    r.Expectation: lambda x: f"{x.person} expects {x.expects or 'no difference'} to do better",
    r.Guess: lambda x: f"period {x.period}: {x.person} guesses {x.condition or 'neither'}",
    r.Harm: lambda x: f"{x.grade} harm: {x.what}{_at(x)}",
    r.Covariate: lambda x: f"{_place(x)}: {x.name} {x.value} {x.unit or ''}".rstrip(),
    r.Exclusion: _exclusion,
    r.Note: lambda x: f"note: {x.text}{_at(x)}",
    r.AnalysisOpened: lambda _: "data opened for analysis",
    r.Look: lambda x: f"look after {x.blocks} blocks, {'' if x.declared else 'not '}declared",
    r.Schedule: lambda x: f"dates, version {x.revision}",
    r.Withdrawal: lambda _: "an entry withdrawn",
}
