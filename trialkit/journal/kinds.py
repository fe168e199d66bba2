"""The closed set of entry kinds, and reading a payload of one of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, asdict
from dataclasses import fields as dataclass_fields
from enum import StrEnum
from functools import cache
from typing import Any, NamedTuple, get_type_hints

from trialkit.errors import JournalError, Problem
from trialkit.journal import records as r
from trialkit.journal.fields import RefusedError, Rule


class Kind(StrEnum):
    """What an entry is about."""

    TRIAL_CREATED = "trial-created"
    PROTOCOL_FROZEN = "protocol-frozen"
    PROTOCOL_AMENDED = "protocol-amended"
    SEQUENCE_SEALED = "sequence-sealed"
    PERIOD_OPENED = "period-opened"
    RESULT = "result"
    RECORDING_STORED = "recording-stored"
    MEASURED = "measured"
    DEVIATION = "deviation"
    DELIVERED = "delivered"
    EXPECTATION = "expectation"
    GUESS = "guess"
    HARM = "harm"
    COVARIATE = "covariate"
    EXCLUSION = "exclusion"
    NOTE = "note"
    ANALYSIS_OPENED = "analysis-opened"
    LOOK = "look"
    SCHEDULE = "schedule"
    WITHDRAWAL = "withdrawal"


RECORD_OF: Mapping[Kind, type[r.Record]] = {
    Kind.TRIAL_CREATED: r.TrialCreated,
    Kind.PROTOCOL_FROZEN: r.ProtocolFrozen,
    Kind.PROTOCOL_AMENDED: r.ProtocolAmended,
    Kind.SEQUENCE_SEALED: r.SequenceSealed,
    Kind.PERIOD_OPENED: r.PeriodOpened,
    Kind.RESULT: r.Result,
    Kind.RECORDING_STORED: r.RecordingStored,
    Kind.MEASURED: r.Measured,
    Kind.DEVIATION: r.Deviation,
    Kind.DELIVERED: r.Delivered,
    Kind.EXPECTATION: r.Expectation,
    Kind.GUESS: r.Guess,
    Kind.HARM: r.Harm,
    Kind.COVARIATE: r.Covariate,
    Kind.EXCLUSION: r.Exclusion,
    Kind.NOTE: r.Note,
    Kind.ANALYSIS_OPENED: r.AnalysisOpened,
    Kind.LOOK: r.Look,
    Kind.SCHEDULE: r.Schedule,
    Kind.WITHDRAWAL: r.Withdrawal,
}


def find_kind(name: str) -> Kind:
    """Look a kind of entry up by its name.

    Raises
    ------
    JournalError
        When there is no such kind.
    """
    try:
        return Kind(name)
    except ValueError:
        raise JournalError(
            Problem(
                where="kind",
                found=repr(name),
                wrong="it is not a kind of entry.",
                fix="use one of " + ", ".join(Kind) + ".",
            )
        ) from None


def read_record(kind: Kind, payload: Mapping[str, Any]) -> r.Record:
    """Read a payload into the record of its kind; missing optional fields get their default.

    Raises
    ------
    JournalError
        With every unknown, missing or wrong field at once.

    Examples
    --------
    >>> read_record(Kind.GUESS, {"person": "athlete", "period": 3, "condition": "with"})
    Guess(person='athlete', period=3, condition='with', certainty=None)
    """
    known = _fields_of(kind)
    problems = [_unknown(kind, name, known) for name in payload if name not in known]
    values: dict[str, Any] = {}
    for name, spec in known.items():
        if name not in payload:
            if not spec.optional:
                problems.append(_problem(kind, name, "nothing", "it has to be given."))
            continue
        try:
            values[name] = spec.rule(payload[name])
        except RefusedError as wants:
            found = repr(payload[name])[:80]
            problems.append(_problem(kind, name, found, f"this field wants {wants}."))
    if problems:
        raise JournalError(problems)
    record = RECORD_OF[kind](**values)
    if between := list(record.problems()):
        raise JournalError(between)
    return record


def payload_of(record: r.Record) -> dict[str, Any]:
    """Turn a record back into the payload that is stored, defaults written out."""
    return asdict(record)


class _Field(NamedTuple):
    rule: Rule
    optional: bool


@cache
def _fields_of(kind: Kind) -> dict[str, _Field]:
    record = RECORD_OF[kind]
    hints = get_type_hints(record, include_extras=True)
    return {
        x.name: _Field(
            rule=hints[x.name].__metadata__[0],
            optional=x.default is not MISSING or x.default_factory is not MISSING,
        )
        for x in dataclass_fields(record)
    }


def _problem(kind: Kind, name: str, found: str, wrong: str) -> Problem:
    return Problem(where=f"{kind}.{name}", found=found, wrong=wrong, fix=f"give {name}.")


def _unknown(kind: Kind, name: str, known: Mapping[str, _Field]) -> Problem:
    return Problem(
        where=f"{kind}.{name}",
        found=f"the field {name!r}",
        wrong=f"an entry of kind {kind} has no such field.",
        fix="use only " + (", ".join(known) or "an empty payload") + ".",
    )
