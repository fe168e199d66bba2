"""The protocol's checklist before the start, as a page or as a table file."""

from __future__ import annotations

from typing import Final

from trialkit.domain.plans import Plan
from trialkit.report.checklist import checklist_summary, checklist_table, protocol_checklist
from trialkit.report.data_out import csv_text
from trialkit.report.data_tables import checklist_table as data_table
from trialkit.report.page import template_environment
from trialkit.report.words import page
from trialkit.report.words.cautions import all_cautions

FORMATS: Final = (".html", ".csv")


def protocol_report(plan: Plan, ending: str) -> str:
    """Write the items a protocol should answer before the first period.

    Parameters
    ----------
    ending
        One of ``FORMATS``: a page, or a table file.
    """
    answered = protocol_checklist(plan)
    if ending == ".csv":
        return csv_text(data_table(answered))
    view = {
        "title": page.document_title(plan),
        "running_head": plan.title,
        "invented": plan.invented,
        "variant": "protocol",
        "question": plan.question,
        "summary": checklist_summary(answered),
        "checklist": checklist_table(answered, page.PROTOCOL_CHECKLIST),
        "cautions": all_cautions(plan),
    }
    return template_environment().get_template("protocol.html").render(view) + "\n"
