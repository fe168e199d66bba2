"""The protocol's checklist before the start: every item filled or named missing."""

from __future__ import annotations

import csv
from dataclasses import replace
from io import StringIO

from trialkit.report.checklist import State, checklist_summary, protocol_checklist
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


def test_a_text_that_still_asks_to_be_filled_in_is_missing(plan):
    def state(text):
        asked = protocol_checklist(replace(plan, details={"trial.profile": text}))
        return next(a.state for a in asked if a.number == "4a")

    assert state("Rides ten hours a week.") is State.FILLED
    assert state("Fill in: level, training load") is State.MISSING


def test_the_summary_names_items_without_a_number_by_what_they_ask(plan):
    said = checklist_summary(protocol_checklist(plan))
    assert "devices" in said
    assert "–" not in said
    assert "do not apply" not in said
