"""The protocol's checklist before the start: every item filled or named missing."""

from __future__ import annotations

import csv
from io import StringIO

from trialkit.report.checklist import protocol_checklist
from trialkit.report.protocol_page import protocol_report


def test_page_and_table_hold_the_same_items(plan):
    answered = protocol_checklist(plan)
    rows = list(csv.DictReader(StringIO(protocol_report(plan, ".csv"))))
    assert [(r["item"].lstrip("'"), r["state"]) for r in rows] == [
        (a.number, a.state.value) for a in answered
    ]
    page = protocol_report(plan, ".html")
    assert page.count('<tr role="row">') == 1 + len(answered)
    assert "Is the protocol complete?" in page
    assert "Invented data" in page


def test_what_is_missing_says_where_to_enter_it(plan):
    rows = list(csv.DictReader(StringIO(protocol_report(plan, ".csv"))))
    missing = [r for r in rows if r["state"] == "missing"]
    assert missing
    assert all(r["answer"].startswith("Enter it in protocol.toml") for r in missing)
