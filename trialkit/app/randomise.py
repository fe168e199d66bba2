"""Freeze the protocol, draw the order and rests, seal them in a new journal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from uuid import UUID

from trialkit.app.answers import Answer
from trialkit.app.folders import TrialFolder, trial_folder, write_new_file
from trialkit.design.allocation import draw
from trialkit.design.schemes import reference_set
from trialkit.design.threats import find_threats
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.journal import Draft, Journal, Kind
from trialkit.journal.codes import write_code
from trialkit.journal.seal import KEY_BYTES, SALT_BYTES, Seal, seal
from trialkit.protocol import loads, protocol_sha256, read_protocol_text

SEED_BYTES = 16


@dataclass(frozen=True, slots=True)
class DrawRequest:
    """How to draw. ``entropy(n)`` gives n secret bytes; ``seed`` None takes them as the seed."""

    entropy: Callable[[int], bytes]
    seed: int | None = None
    keyholder: Path | None = None
    accept_threats: bool = False


def randomise(root: Path, request: DrawRequest, *, at: datetime, who: str) -> Answer:
    """Draw and seal the order of a trial that has none yet.

    Raises
    ------
    ProtocolError
        When the protocol has problems.
    RequestError
        When the order was drawn already.
    UnanswerableError
        When a threat leaves the question without an answer and this is not accepted, or the
        constraints leave too few sequences.
    """
    folder = trial_folder(root)
    _refuse_second_draw(folder)
    text = read_protocol_text(folder.protocol)
    plan = loads(text, where=str(folder.protocol)).plan()
    accepted = _accepted_threats(plan, request)
    seed = request.seed
    if seed is None:
        seed = int.from_bytes(request.entropy(SEED_BYTES), "big")
    frozen = protocol_sha256(text.encode())
    key = request.entropy(KEY_BYTES)
    allocation = draw(plan, seed=seed)
    sealed = seal(allocation, protocol_sha256=frozen, key=key, salt=request.entropy(SALT_BYTES))
    holder = plan.blinding.keyholder or "the keyholder"
    if request.keyholder is not None:
        # Before the journal: a sealed order whose keys were never written could not be opened.
        write_new_file(request.keyholder, key_sheet(plan, sealed, key).encode())
    drafts = [
        Draft(Kind.PROTOCOL_FROZEN, {"sha256": frozen, "text": text}),
        *(Draft(Kind.NOTE, {"text": f"Threat accepted at the draw: {t.text}"}) for t in accepted),
        Draft(
            Kind.SEQUENCE_SEALED,
            {
                **sealed.to_payload(
                    key=key if request.keyholder is None else None,
                    keyholder=None if request.keyholder is None else holder,
                ),
                "rests": [period.rest for period in allocation.periods],
            },
        ),
    ]
    trial_id = str(UUID(bytes=request.entropy(16), version=4))
    Journal.create(folder.journal, trial_id=trial_id, at=at, who=who, drafts=drafts).close()
    return _answer(folder, plan, sealed, request)


def key_sheet(plan: Plan, sealed: Seal, key: bytes) -> str:
    """Give the keyholder's sheet: one code per period, and the key that opens everything."""
    codes = "\n".join(f"  period {n:>3}: {code}" for n, code in sealed.codes(key).items())
    return (
        f"Keys of the trial: {plan.title}\n"
        f"Commitment: {sealed.commitment}\n\n"
        "Give out one code at a time, when its period is about to start. Keep this sheet away\n"
        "from everybody who is blind in this trial. Nobody can open the order without it.\n\n"
        f"{codes}\n\n"
        f"Master key, for the check at the end: {write_code(key)}\n"
    )


def _refuse_second_draw(folder: TrialFolder) -> None:
    # An empty file is what a creation that was cut off leaves behind; nothing was drawn then.
    if folder.journal.exists() and folder.journal.stat().st_size:
        raise RequestError(
            Problem(
                where=str(folder.journal),
                found="a journal with a sealed order",
                wrong="an order is drawn once.",
                fix="run it as it is, or start a new trial folder.",
            )
        )


def _accepted_threats(plan: Plan, request: DrawRequest) -> list[Threat]:
    fatal = [t for t in find_threats(plan) if t.severity is Severity.CANNOT_ANSWER]
    if fatal and not request.accept_threats:
        raise UnanswerableError(
            Problem(
                where=f"threat {t.id}",
                found=t.text,
                wrong="a trial run like this cannot answer its question.",
                fix=f"{t.fix} (Or draw all the same with --accept-threats.)",
            )
            for t in fatal
        )
    return fatal


def _answer(folder: TrialFolder, plan: Plan, sealed: Seal, request: DrawRequest) -> Answer:
    count = reference_set(plan).count()
    lines = [
        f"The protocol is frozen, SHA-256 {sealed.protocol_sha256}.",
        f"The order of {sealed.count} periods is drawn, one of {count:,} possible, and sealed.",
        f"Commitment: {sealed.commitment}",
        "Write the commitment down or send it to somebody: it proves later that nothing changed.",
    ]
    if request.seed is not None:
        lines.append("Whoever knows the seed you gave can draw the same order.")
    if request.keyholder is None:
        lines.append(
            "The key lies in trial.db: this keeps the order from being seen by accident, and no "
            "more. For more, draw with --keyholder."
        )
    else:
        lines.append(
            f"The keys are in {request.keyholder}: hand it to a second person and delete it."
        )
    lines.append(f"Next: trialkit calendar {folder.root}")
    return Answer(
        "\n".join(lines),
        {
            "protocol_sha256": sealed.protocol_sha256,
            "commitment": sealed.commitment,
            "scheme": sealed.scheme,
            "periods": sealed.count,
            "possible_sequences": count,
            "keyholder": None if request.keyholder is None else str(request.keyholder),
        },
    )
