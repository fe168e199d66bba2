"""One entry of the journal, and the hash that ties it to the entry before it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from trialkit.errors import JournalError, Problem
from trialkit.journal.canonical import canonical_json, sha256_hex
from trialkit.journal.kinds import Kind, find_kind, payload_of, read_record
from trialkit.journal.records import Record

GENESIS = "0" * 64
"""What the first entry names as the hash before it."""

COLUMNS = (
    "number",
    "kind",
    "at_utc",
    "offset_min",
    "who",
    "payload",
    "corrects",
    "reason",
    "previous",
    "hash",
)

_STAMP = "%Y-%m-%dT%H:%M:%S.%fZ"


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry to be written: what it says and, for a correction, which entry it corrects."""

    kind: str
    payload: Mapping[str, Any] = field(default_factory=dict[str, Any])
    corrects: int | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One confirmed entry.

    ``number`` counts from 1. ``at_utc`` is the instant as ``YYYY-MM-DDThh:mm:ss.ffffffZ``,
    ``offset_min`` the local clock's offset from UTC in minutes. ``corrects`` is the number of the
    entry this one replaces, with ``reason``. ``previous`` and ``hash`` are SHA-256 in hexadecimal.
    """

    number: int
    kind: Kind
    at_utc: str
    offset_min: int
    who: str
    payload: Mapping[str, Any]
    corrects: int | None
    reason: str | None
    previous: str
    hash: str

    @property
    def at(self) -> datetime:
        """The instant on the local clock of whoever wrote the entry."""
        local = timezone(timedelta(minutes=self.offset_min))
        return datetime.strptime(self.at_utc, _STAMP).replace(tzinfo=UTC).astimezone(local)

    @property
    def record(self) -> Record:
        """What the entry says, as the record of its kind."""
        return read_record(self.kind, self.payload)

    def expected_hash(self) -> str:
        """SHA-256 over the canonical JSON of everything in the entry but its own hash."""
        return sha256_hex(canonical_json({n: getattr(self, n) for n in COLUMNS if n != "hash"}))


def make_entry(draft: Draft, last: Entry | None, *, at: datetime, who: str) -> Entry:
    """Turn a draft into the entry that follows ``last`` (None: the first entry).

    Raises
    ------
    JournalError
        When the kind, a field of the payload, the instant or the reason is wrong.
    """
    kind = find_kind(draft.kind)
    payload = payload_of(read_record(kind, draft.payload))
    _check_signature(draft, who)
    at_utc, offset_min = stamp(at)
    unsigned = Entry(
        number=1 if last is None else last.number + 1,
        kind=kind,
        at_utc=at_utc,
        offset_min=offset_min,
        who=who,
        # Through the text and back, so that an entry just written equals the one read later.
        payload=json.loads(canonical_json(payload)),
        corrects=draft.corrects,
        reason=draft.reason,
        previous=GENESIS if last is None else last.hash,
        hash="",
    )
    return replace(unsigned, hash=unsigned.expected_hash())


def as_json(entry: Entry) -> dict[str, Any]:
    """Give the entry as a JSON object, its hash included."""
    return {name: getattr(entry, name) for name in COLUMNS}


def _check_signature(draft: Draft, who: str) -> None:
    problems = []
    if not who.strip():
        problems.append(
            Problem("who", "nothing", "every entry says who made it.", "give a name or a role.")
        )
    told = draft.reason is not None and bool(draft.reason.strip())
    if (draft.corrects is not None) != told or (draft.reason is not None) != told:
        problems.append(
            Problem(
                where="reason",
                found="a reason without an entry to correct, or a correction without a reason",
                wrong="a correction names the entry it corrects and says why.",
                fix="give both or neither.",
            )
        )
    if problems:
        raise JournalError(problems)


def stamp(at: datetime) -> tuple[str, int]:
    """Split an aware instant into its UTC text and the local offset in minutes.

    Raises
    ------
    JournalError
        When the instant has no offset from UTC, or one that is not in whole minutes.
    """
    offset = at.utcoffset()
    if offset is None or offset % timedelta(minutes=1):
        raise JournalError(
            Problem(
                where="at",
                found=at.isoformat(),
                wrong="an entry needs an instant with its offset from UTC in whole minutes.",
                fix="pass a datetime with its time zone.",
            )
        )
    return at.astimezone(UTC).strftime(_STAMP), int(offset / timedelta(minutes=1))


def read_stamp(at_utc: str) -> datetime:
    """Read a stored UTC instant back; ValueError when it is not in the stored form."""
    moment = datetime.strptime(at_utc, _STAMP).replace(tzinfo=UTC)
    if moment.strftime(_STAMP) != at_utc:
        raise ValueError(at_utc)
    return moment
