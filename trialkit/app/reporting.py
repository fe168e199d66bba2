"""Write the page of a trial, with its data, the analysis and the checklist beside it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from trialkit.app.analysing import analyse_trial, analysis_document
from trialkit.app.answers import Answer
from trialkit.app.folders import write_file
from trialkit.app.looks import opening_drafts, opening_notes
from trialkit.app.page_content import page_content
from trialkit.app.trials import open_trial
from trialkit.journal import Journal


def write_report(root: Path, *, pdf: bool, at: datetime, who: str) -> Answer:
    """Analyse a trial and write its report folder.

    Raises
    ------
    RequestError
        When a PDF is asked for and no browser that could print it is found.
    """
    from trialkit.report.data_out import data_files
    from trialkit.report.page import render_page

    trial = open_trial(root)
    drafts = opening_drafts(trial)
    if drafts:
        trial.add(drafts, at=at, who=who)
        trial = open_trial(root)
    answers = analyse_trial(trial)
    with Journal.open(trial.folder.journal, read_only=True) as journal:
        head, last = journal.head, journal.entries()[-1].at
    # The page is dated by the last entry, so that it can be rebuilt byte for byte.
    content = page_content(trial, answers, at=last, head=head)
    out = trial.folder.report
    document = analysis_document(trial, answers, opening_notes(trial))
    files = {
        "index.html": render_page(content).encode(),
        "athlete.html": render_page(content, variant="athlete").encode(),
        "analysis.json": _json(document),
        **{f"data/{name}": text.encode() for name, text in data_files(content).items()},
    }
    for name, data in files.items():
        write_file(out / name, data)
    written = [str(out / name) for name in files]
    if pdf:
        from trialkit.report.pdf import write_pdf

        written.append(str(write_pdf(out / "index.html", out / "report.pdf")))
    return Answer(
        f"The page is {out / 'index.html'}",
        {"page": str(out / "index.html"), "files": written},
    )


def _json(document: object) -> bytes:
    from trialkit.app.documents import to_json

    return (to_json(document) + "\n").encode()
