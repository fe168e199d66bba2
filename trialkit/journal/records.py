"""What each kind of entry says: one frozen class per kind, with the rule of each field.

``slot`` names the fields that make an entry the only one of its sort: a second entry with the same
slot has to correct the first one by its number. ``correctable`` kinds may be corrected; the others
tell of acts that cannot be taken back (a period once opened stays opened).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from trialkit.errors import Problem
from trialkit.journal import fields as f
from trialkit.journal.canonical import sha256_hex


class Phase(StrEnum):
    """Which part of the trial a period number counts in."""

    TRIAL = "trial"
    FAMILIARISATION = "familiarisation"
    BASELINE = "baseline"


class Departure(StrEnum):
    """How a period departed from the plan."""

    MISSED = "missed"
    MOVED = "moved"
    ABORTED = "aborted"
    SWAPPED = "swapped"


class Fidelity(StrEnum):
    """How far the condition was delivered as its recipe says."""

    FULL = "full"
    PARTIAL = "partial"
    NONE = "none"


class Grade(StrEnum):
    """How bad a symptom or harm was."""

    MILD = "mild"
    MODERATE = "moderate"
    SEVERE = "severe"


PhaseName = Annotated[Phase, f.word_of(Phase)]


@dataclass(frozen=True)
class Record:
    """What an entry says, read from its payload."""

    slot: ClassVar[tuple[str, ...] | None] = None
    correctable: ClassVar[bool] = False

    def problems(self) -> Iterator[Problem]:
        """Yield what is wrong between fields that are each right by themselves."""
        yield from ()


@dataclass(frozen=True)
class TrialCreated(Record):
    """The first entry of every journal."""

    slot = ()
    trial_id: f.Text


@dataclass(frozen=True)
class ProtocolFrozen(Record):
    """The protocol as it stood when the order was drawn, with its full text."""

    slot = ()
    sha256: f.Sha256
    text: f.Text

    def problems(self) -> Iterator[Problem]:
        """Yield a problem when the hash is not that of the text."""
        yield from _hash_of_text(self.sha256, self.text)


@dataclass(frozen=True)
class ProtocolAmended(Record):
    """A later version of the protocol (the frozen one is version 1), what differs and why."""

    slot = ("version",)
    version: f.Ordinal
    sha256: f.Sha256
    text: f.Text
    differences: f.Texts
    reason: f.Text

    def problems(self) -> Iterator[Problem]:
        """Yield a problem when the hash is not that of the text."""
        yield from _hash_of_text(self.sha256, self.text)


@dataclass(frozen=True)
class SequenceSealed(Record):
    """A drawn order in sealed envelopes, for the periods from ``first_period`` on.

    Exactly one of ``key`` (the master key lies in this file) and ``keyholder`` (it is with that
    person) is set. ``reason`` says why when the order, or the rest of it, is drawn anew.
    ``rests`` are in the clear, one per period: dates are set by them, and they tell nothing of the
    order, which comes from a stream of its own.
    """

    commitment: f.Sha256
    protocol_sha256: f.Sha256
    scheme: f.Text
    count: f.Ordinal
    envelopes: f.Base64s
    closing: f.Base64
    rests: f.Rests = ()
    first_period: f.Ordinal = 1
    key: f.MaybeBase64 = None
    keyholder: f.MaybeText = None
    reason: f.MaybeText = None

    def problems(self) -> Iterator[Problem]:
        """Yield problems of the count of envelopes and of who holds the key."""
        if len(self.envelopes) != self.count:
            yield Problem(
                where="envelopes",
                found=f"{len(self.envelopes)} envelopes for {self.count} periods",
                wrong="every period has its own envelope.",
                fix="seal the whole order again.",
            )
        if (self.key is None) == (self.keyholder is None):
            yield Problem(
                where="key",
                found="both a key and a keyholder, or neither",
                wrong="the key lies either in this file or with a second person.",
                fix="give one of the two.",
            )


@dataclass(frozen=True)
class PeriodOpened(Record):
    """One period taken out of its envelope. ``condition`` is None where it was not shown here."""

    slot = ("period",)
    period: f.Ordinal
    block: f.Ordinal
    position: f.Ordinal
    session: f.Ordinal
    condition: f.MaybeText
    rest: f.MaybeCount = None
    rest_unit: f.MaybeText = None


@dataclass(frozen=True)
class Result(Record):
    """An outcome's value for one period, typed or read from a table."""

    slot = ("phase", "period", "outcome")
    correctable = True
    period: f.Ordinal
    outcome: f.Text
    value: f.Number
    unit: f.MaybeText
    source: f.Text = "typed"
    phase: PhaseName = Phase.TRIAL


@dataclass(frozen=True)
class RecordingStored(Record):
    """A recording copied into the trial's folder under its content hash.

    ``read_as`` holds what a person said about the file when it was read; ``lag_s`` is added to its
    times to put it on the clock of the period's first recording, found by ``aligned_by``.
    """

    slot = ("sha256", "phase", "period")
    correctable = True
    sha256: f.Sha256
    name: f.Text
    format: f.Text
    integrity: f.Text
    accepted_damaged: f.YesNo = False
    fault: f.MaybeText = None
    period: f.MaybeOrdinal = None
    phase: PhaseName = Phase.TRIAL
    started_at: f.MaybeInstant = None
    read_as: f.NamedValues = field(default_factory=dict[str, Any])
    lag_s: f.MaybeNumber = None
    aligned_by: f.MaybeText = None


@dataclass(frozen=True)
class Measured(Record):
    """An outcome's value for one period measured from a recording, or why there is none."""

    slot = ("phase", "period", "outcome")
    correctable = True
    period: f.Ordinal
    outcome: f.Text
    unit: f.MaybeText
    value: f.MaybeNumber = None
    reason: f.MaybeText = None
    settings: f.NamedValues = field(default_factory=dict[str, Any])
    recording: f.MaybeSha256 = None
    phase: PhaseName = Phase.TRIAL

    def problems(self) -> Iterator[Problem]:
        """Yield a problem unless exactly one of value and reason is given."""
        if (self.value is None) == (self.reason is None):
            yield Problem(
                where="value",
                found="both a value and a reason for its absence, or neither",
                wrong="a measure gives a number or says why it gives none.",
                fix="give one of the two.",
            )


@dataclass(frozen=True)
class Deviation(Record):
    """A period that was missed, moved, aborted or swapped, and why."""

    slot = ("period", "what")
    correctable = True
    period: f.Ordinal
    what: Annotated[Departure, f.word_of(Departure)]
    reason: f.Text
    moved_to: f.MaybeDate = None
    swapped_with: f.MaybeOrdinal = None


@dataclass(frozen=True)
class Delivered(Record):
    """The condition that was actually applied in a period, and how faithfully."""

    slot = ("period",)
    correctable = True
    period: f.Ordinal
    condition: f.Text
    fidelity: Annotated[Fidelity, f.word_of(Fidelity)] = Fidelity.FULL
    detail: f.MaybeText = None


@dataclass(frozen=True)
class Expectation(Record):
    """Which condition a person expects to do better, asked beforehand (None: no difference)."""

    slot = ("person", "period")
    correctable = True
    person: f.Text
    expects: f.MaybeText
    period: f.MaybeOrdinal = None
    strength: f.MaybeShare = None


@dataclass(frozen=True)
class Guess(Record):
    """Which condition a person believes a period had, asked afterwards (None: does not know)."""

    slot = ("person", "period")
    correctable = True
    person: f.Text
    period: f.Ordinal
    condition: f.MaybeText
    certainty: f.MaybeShare = None


@dataclass(frozen=True)
class Harm(Record):
    """A symptom, injury or other unwanted effect."""

    correctable = True
    what: f.Text
    grade: Annotated[Grade, f.word_of(Grade)]
    period: f.MaybeOrdinal = None
    phase: PhaseName = Phase.TRIAL
    action: f.MaybeText = None


@dataclass(frozen=True)
class Covariate(Record):
    """Something beside the outcome that was noted for a period: sleep, soreness, temperature."""

    slot = ("phase", "period", "name")
    correctable = True
    period: f.Ordinal
    name: f.Text
    value: f.NumberOrText
    unit: f.MaybeText = None
    phase: PhaseName = Phase.TRIAL


@dataclass(frozen=True)
class Exclusion(Record):
    """A period (or one outcome of it) left out of the analysis, and whether that was late."""

    slot = ("period", "outcome")
    correctable = True
    period: f.Ordinal
    reason: f.Text
    late: f.YesNo
    outcome: f.MaybeText = None


@dataclass(frozen=True)
class Note(Record):
    """Anything else worth keeping."""

    correctable = True
    text: f.Text
    period: f.MaybeOrdinal = None


@dataclass(frozen=True)
class AnalysisOpened(Record):
    """The conditions of these periods (None: of all) were shown to whoever analyses."""

    purpose: f.Text
    periods: f.MaybeOrdinals = None


@dataclass(frozen=True)
class Look(Record):
    """An analysis before the planned end, and whether the protocol had declared it."""

    blocks: f.Ordinal
    declared: f.YesNo
    stopped: f.YesNo = False
    reason: f.MaybeText = None


def _dated_period(raw: object) -> dict[str, Any]:
    if not isinstance(raw, dict) or set(raw) != {"number", "starts"}:
        raise f.RefusedError("periods of the form {number, starts}")
    return {"number": f.whole(1)(raw["number"]), "starts": f.instant(raw["starts"])}


def _session(raw: object) -> dict[str, Any]:
    if not isinstance(raw, dict) or set(raw) != {
        "phase",
        "session",
        "starts",
        "time_zone",
        "periods",
    }:
        raise f.RefusedError("sessions of the form {phase, session, starts, time_zone, periods}")
    return {
        "phase": f.word_of(Phase)(raw["phase"]),
        "session": f.whole(1)(raw["session"]),
        "starts": f.instant(raw["starts"]),
        "time_zone": f.text(raw["time_zone"]),
        "periods": f.listed(_dated_period)(raw["periods"]),
    }


@dataclass(frozen=True)
class Schedule(Record):
    """When the sessions are planned. A later revision replaces the one before."""

    slot = ("revision",)
    revision: f.Ordinal
    sessions: Annotated[tuple[dict[str, Any], ...], f.listed(_session)]
    reason: f.MaybeText = None


@dataclass(frozen=True)
class Withdrawal(Record):
    """Takes an entry out of force without putting another in its place."""


def _hash_of_text(sha256: str, text: str) -> Iterator[Problem]:
    if sha256_hex(text) != sha256:
        yield Problem(
            where="sha256",
            found=sha256,
            wrong="it is not the SHA-256 of the text beside it.",
            fix="hash the exact bytes of the file that is stored (line ends included).",
        )
