"""Which measure to choose: the protocol's measures compared on baseline recordings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.answers import Answer
from trialkit.app.documents import Document, ends
from trialkit.app.folders import trial_folder
from trialkit.app.read_settings import parse_settings, read_options
from trialkit.journal import Journal
from trialkit.journal.state import replay
from trialkit.protocol import load

if TYPE_CHECKING:
    from trialkit.ingest.candidates import Candidate


def compare_measures(root: Path, files: tuple[Path, ...], *, read: tuple[str, ...] = ()) -> Answer:
    """Compare every measure the protocol declares by its noise over baseline recordings.

    Raises
    ------
    UnreadableError
        When a file cannot be read or is damaged.
    UnanswerableError
        With too few recordings, or when conditions were opened already: choosing a measure then
        is choosing by the answer.
    """
    from trialkit.ingest.candidates import compare_candidates
    from trialkit.ingest.reading import accept, read_recording

    folder = trial_folder(root)
    plan = load(folder.protocol).plan()
    opened = 0
    if folder.journal.exists():
        with Journal.open(folder.journal, read_only=True) as journal:
            opened = len(replay(journal.entries()).opened)
    options = read_options(parse_settings(read), time_zone=plan.calendar.time_zone)
    recordings = [accept(read_recording(path, options=options)) for path in files]
    result = compare_candidates(
        recordings,
        {o.name: o.measure for o in plan.outcomes if o.measure is not None},
        rules=plan.segments,
        worthwhile={o.name: o.worthwhile for o in plan.outcomes if o.worthwhile is not None},
        opened=opened,
    )
    lines = [_line(c) for c in result.candidates]
    lines += [f"Note: {note}" for note in result.notes]
    return Answer(
        "\n".join(lines),
        {"candidates": [_document(c) for c in result.candidates], "notes": list(result.notes)},
    )


def _line(c: Candidate) -> str:
    if c.typical_error is None or c.interval is None:
        return f"{c.name}: no figure. {c.reason}"
    ratio = "" if c.signal_to_noise is None else f", margin / noise {c.signal_to_noise:.2f}"
    return (
        f"{c.name}: typical error {c.typical_error:.3g} {c.unit} ({c.interval.low:.3g} to "
        f"{c.interval.high:.3g}; {c.n} recordings){ratio}"
    )


def _document(c: Candidate) -> Document:
    return {
        "outcome": c.name,
        "unit": c.unit,
        "n": c.n,
        "mean": c.mean,
        "typical_error": c.typical_error,
        "df": c.df,
        "ci": None if c.interval is None else ends(c.interval),
        "mdc_single": c.mdc_single,
        "signal_to_noise": c.signal_to_noise,
        "reason": c.reason,
    }
