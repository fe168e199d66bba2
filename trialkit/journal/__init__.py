"""The append-only journal of a trial, its hash chain, and the seal of the drawn order."""

from trialkit.journal.canonical import canonical_json, sha256_hex
from trialkit.journal.entries import Draft, Entry
from trialkit.journal.journal import Journal
from trialkit.journal.kinds import Kind, payload_of, read_record
from trialkit.journal.state import TrialState, history_of, replay

__all__ = [
    "Draft",
    "Entry",
    "Journal",
    "Kind",
    "TrialState",
    "canonical_json",
    "history_of",
    "payload_of",
    "read_record",
    "replay",
    "sha256_hex",
]
