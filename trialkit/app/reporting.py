"""Write the page of a trial, with its data, the analysis and the checklist beside it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.analysing import analyse_trial, analysis_document
from trialkit.app.answers import Answer
from trialkit.app.documents import to_json
from trialkit.app.folders import write_file
from trialkit.app.looks import opening_drafts, opening_notes, refuse_unasked_look
from trialkit.app.page_content import page_content
from trialkit.app.trials import Trial, open_trial
from trialkit.errors import Problem, RequestError
from trialkit.journal import Journal

if TYPE_CHECKING:
    from trialkit.report.content import OutcomeResult, PageContent

PICTURE_FORMATS = ("svg", "png", "pdf")


@dataclass(frozen=True, slots=True)
class ReportRequest:
    """What to write beside the page; ``figures`` is a picture format, or empty for none."""

    pdf: bool = False
    figures: str = ""
    decimal_comma: bool = False
    interim: bool = False


def write_report(root: Path, request: ReportRequest, *, at: datetime, who: str) -> Answer:
    """Analyse a trial and write its report folder.

    Raises
    ------
    RequestError
        When the picture format is not known, a PDF is asked for and nothing here can print, or the
        trial is not finished and nobody asked for an interim look.
    """
    _refuse_unknown_format(request.figures)
    trial = open_trial(root)
    refuse_unasked_look(trial, asked=request.interim)
    drafts = opening_drafts(trial)
    if drafts:
        trial.add(drafts, at=at, who=who)
        trial = open_trial(root)
    answers = analyse_trial(trial)
    content = report_content(trial, answers)
    document = analysis_document(trial, answers, opening_notes(trial))
    files = _files(content, request) | {"analysis.json": (to_json(document) + "\n").encode()}
    out = trial.folder.report
    for name, data in files.items():
        write_file(out / name, data)
    written = [str(out / name) for name in files]
    if request.pdf:
        from trialkit.report.pdf import write_pdf

        written.append(str(write_pdf(out / "index.html", out / "report.pdf")))
        written.append(str(write_pdf(out / "athlete.html", out / "athlete.pdf")))
    page = str(out / "index.html")
    return Answer(f"The page is {page}", {"page": page, "files": written})


def report_content(trial: Trial, answers: tuple[OutcomeResult, ...]) -> PageContent:
    """Gather what the page of an analysed trial tells, as of its last journal entry."""
    with Journal.open(trial.folder.journal, read_only=True) as journal:
        return page_content(trial, answers, entries=journal.entries(), head=journal.head)


def _files(content: PageContent, request: ReportRequest) -> dict[str, bytes]:
    from trialkit.report.data_out import checklist_csv, data_files
    from trialkit.report.gallery import build_pictures
    from trialkit.report.numbers import Numbers
    from trialkit.report.page import render_page
    from trialkit.report.svg import picture_bytes

    comma = request.decimal_comma
    pictures = build_pictures(content, Numbers(comma))
    full = render_page(content, decimal_comma=comma, pictures=pictures)
    sheet = render_page(content, variant="athlete", decimal_comma=comma, pictures=pictures)
    files = {
        "index.html": full.encode(),
        "athlete.html": sheet.encode(),
        "checklist.csv": checklist_csv(content).encode(),
    }
    for name, text in data_files(content).items():
        files[f"data/{name}"] = text.encode()
    for name, picture in pictures.items() if request.figures else ():
        files[f"figures/{name}.{request.figures}"] = picture_bytes(picture, request.figures)
    return files


def _refuse_unknown_format(name: str) -> None:
    if name and name not in PICTURE_FORMATS:
        raise RequestError(
            Problem(
                where="--figures",
                found=repr(name),
                wrong="there is no such picture format here.",
                fix="use one of " + ", ".join(PICTURE_FORMATS) + ".",
            )
        )
