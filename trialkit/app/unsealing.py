"""The whole drawn order, once nothing in it is secret any more."""

from __future__ import annotations

from base64 import b64decode

from trialkit.app.trials import Trial
from trialkit.domain.allocations import Allocation
from trialkit.errors import JournalError
from trialkit.journal.records import Departure, SequenceSealed
from trialkit.journal.seal import Seal

WITH_KEYHOLDER = "with {}"
STILL_SEALED = "sealed until every period was opened or missed"
DOES_NOT_OPEN = "the seal does not open with its key; run trialkit verify"


def drawn_order(trial: Trial) -> Allocation | str:
    """Give the order of the last seal with its seed, or say why it stays closed.

    It is opened when every planned period was opened or missed and the key lies in the journal.
    """
    sealed = trial.state.of(SequenceSealed)[-1].record
    if sealed.key is None:
        return WITH_KEYHOLDER.format(sealed.keyholder)
    accounted = trial.state.opened.keys() | trial.state.periods_with(Departure.MISSED)
    if not set(range(1, trial.state.planned + 1)) <= accounted:
        return STILL_SEALED
    try:
        return Seal.from_record(sealed).open_all(b64decode(sealed.key))
    except JournalError:
        return DOES_NOT_OPEN
