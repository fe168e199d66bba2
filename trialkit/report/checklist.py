"""The reporting checklist of n-of-1 trials."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.report.content import PageContent
from trialkit.report.tables import Table


@dataclass(frozen=True, slots=True)
class ChecklistView:
    """What the page shows of the checklist."""

    summary: str
    table: Table


def checklist_view(content: PageContent) -> ChecklistView:
    """The checklist as the page shows it."""
    return ChecklistView("", Table("Items", (), ()))
