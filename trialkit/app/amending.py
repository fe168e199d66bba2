"""Take an edited protocol as a new version, with its reason, once the order is drawn."""

from __future__ import annotations

from trialkit.app.trials import Trial
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import ProtocolAmended
from trialkit.protocol import loads, protocol_sha256, read_protocol_text
from trialkit.protocol.amendments import differences

# A change of these would change the set of sequences the order was drawn from.
_FIXED_BY_THE_DRAW = ("design.", "conditions.")


def amendment_draft(trial: Trial, *, reason: str) -> Draft:
    """Draft the amendment from the protocol file beside the journal.

    Raises
    ------
    ProtocolError
        When the edited file has problems.
    RequestError
        When nothing was changed, or the change would undo the draw.
    """
    text = read_protocol_text(trial.folder.protocol)
    changes = differences(trial.protocol, loads(text, where=str(trial.folder.protocol)))
    if not changes:
        raise RequestError(
            Problem(
                where=str(trial.folder.protocol),
                found="the protocol in force",
                wrong="there is no change to record.",
                fix="edit the file first.",
            )
        )
    undone = [c for c in changes if c.field.startswith(_FIXED_BY_THE_DRAW)]
    if undone:
        raise RequestError(
            Problem(
                where=c.field,
                found=f"{c.after} where {c.before} was frozen",
                wrong="the order was drawn for the frozen design and conditions.",
                fix="put it back, or start a new trial for another design.",
            )
            for c in undone
        )
    version = 2 + len(trial.state.of(ProtocolAmended))
    return Draft(
        Kind.PROTOCOL_AMENDED,
        {
            "version": version,
            "sha256": protocol_sha256(text.encode()),
            "text": text,
            "differences": [f"{c.field}: {c.before} → {c.after}" for c in changes],
            "reason": reason,
        },
    )
