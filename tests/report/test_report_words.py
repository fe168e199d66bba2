"""Sentences per verdict and direction, the checklist, the cautions, the data files."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from hashlib import sha256
from io import StringIO

import pytest
from invented_trial import PLAN, POWER

from trialkit.domain.estimates import Verdict
from trialkit.domain.outcomes import Better
from trialkit.domain.plans import Hazards
from trialkit.report.checklist import (
    State,
    checklist_summary,
    protocol_checklist,
    report_checklist,
)
from trialkit.report.content import LogEntry
from trialkit.report.data_out import data_files
from trialkit.report.numbers import POINT
from trialkit.report.words.cautions import cautions_for
from trialkit.report.words.checklist_items import ITEMS
from trialkit.report.words.facts import facts
from trialkit.report.words.method import method_paragraph
from trialkit.report.words.verdicts import Names, direction, headline, what_next

NAMES = Names("a warm-up", "no warm-up", "Mean power")


def said(content, verdict, **changes):
    estimate = content.primary.estimate
    decision = replace(estimate.decision, verdict=verdict, **changes)
    result = replace(content.primary, estimate=replace(estimate, decision=decision))
    return headline(result, NAMES, POINT), facts(result, POINT)


@pytest.mark.parametrize(
    ("verdict", "opening", "matters"),
    [
        (Verdict.HELPS, "A warm-up helped this athlete.", "Yes"),
        (Verdict.HELPS_SIZE_NOT_SETTLED, "A warm-up helped this athlete, but maybe", "Open"),
        (Verdict.NO_WORTHWHILE_DIFFERENCE, "No difference worth having", "No"),
        (Verdict.HURTS_SIZE_NOT_SETTLED, "A warm-up made this athlete worse, but maybe", "Open"),
        (Verdict.HURTS, "A warm-up made this athlete worse.", "Yes, for the worse"),
        (Verdict.NOT_SETTLED, "Not settled", "Open"),
    ],
)
def test_every_verdict_has_its_sentence(content, verdict, opening, matters):
    told, (_, _, _, margin) = said(content, verdict)
    assert told.short.startswith(opening)
    assert "4\u00a0W" in told.long
    assert margin.answer == matters


@pytest.mark.parametrize(
    ("value", "better", "words"),
    [
        (2.0, Better.HIGHER, "higher (better)"),
        (-2.0, Better.HIGHER, "lower (worse)"),
        (2.0, Better.LOWER, "higher (worse)"),
        (-2.0, Better.LOWER, "lower (better)"),
    ],
)
def test_direction_knows_what_is_better(value, better, words):
    assert direction(value, replace(POWER, better=better)) == words


def test_only_an_unsettled_trial_is_told_what_would_settle_it(content):
    decision = content.primary.estimate.decision
    assert what_next(decision) == ""
    open_one = replace(decision, verdict=Verdict.NOT_SETTLED, further_blocks=6, chance_settled=0.8)
    assert "About 6 further pairs" in what_next(open_one)
    assert "80 in 100" in what_next(open_one)
    never = replace(open_one, further_blocks=None, chance_settled=None)
    assert what_next(never).startswith("No number of further pairs")


def test_the_checklist_has_the_44_items_of_the_standard_once_each(content):
    answered = report_checklist(content)
    numbers = [a.number for a in answered]
    assert len(numbers) == len(set(numbers)) == 44
    assert all(a.answer for a in answered)
    assert {int(re.match(r"\d+", n).group()) for n in numbers} == set(range(1, 26))


def test_a_missing_item_says_where_to_enter_it(content):
    by = {a.number: a for a in report_checklist(content)}
    assert by["25"].state is State.MISSING
    assert by["25"].answer == "Enter it in protocol.toml, [trial] funding."
    funded = replace(PLAN, details={**PLAN.details, "trial.funding": "nobody"})
    after = {a.number: a for a in report_checklist(replace(content, plan=funded))}
    assert after["25"].state is State.FILLED
    assert after["25"].answer == "Nobody"


def test_every_item_that_can_be_missing_names_a_place(content):
    for item in ITEMS:
        if not item.never and item.number not in ("20", "21"):
            assert item.enter, item.number


def test_the_summary_counts_what_the_rows_say(content):
    answered = report_checklist(content)
    filled = sum(a.state is State.FILLED for a in answered)
    text = checklist_summary(answered)
    assert text.startswith(f"{filled} of 44 items are filled")
    assert "25" in text.split("missing: ")[1]


def test_the_protocol_checklist_needs_no_results():
    answered = protocol_checklist(PLAN)
    assert {a.number for a in answered} >= {"1a", "2b", "6a.2", "7a", "12a", "25"}
    assert not {a.number for a in answered} & {"13a.1", "17a.2", "19"}
    assert any(a.asks == "what happens after each verdict" for a in answered)


def test_cautions_follow_the_hazards_and_each_has_a_source():
    silent, none = cautions_for(Hazards()), cautions_for(Hazards(effort="none"))
    assert any("chest pain" in c.text for c in silent)
    assert none == ()
    assert any("anti-doping" in c.text for c in cautions_for(Hazards("none", supplements=True)))
    assert all(c.source for c in (*silent, *cautions_for(Hazards(diet=True))))


def test_the_method_paragraph_names_design_seed_hash_method_and_versions(content):
    text = method_paragraph(content, POINT)
    for expected in ("8 blocks of 2 periods", "seed 20260302", "9f2c9f2c", "Kenward", "numpy 2"):
        assert expected in text


def test_data_files_are_described_column_by_column(content):
    files = data_files(content)
    package = json.loads(files["datapackage.json"])
    assert package["invented"] is True
    assert {r["path"] for r in package["resources"]} == set(files) - {"datapackage.json"}
    for resource in package["resources"]:
        text = files[resource["path"]]
        head = next(csv.reader(StringIO(text)))
        assert head == [f["name"] for f in resource["schema"]["fields"]]
        assert resource["hash"] == "sha256:" + sha256(text.encode()).hexdigest()
        assert resource["schema"]["missingValues"] == [""]


def test_data_files_keep_full_precision_and_leave_missing_cells_empty(content):
    files = data_files(content)
    rows = list(csv.DictReader(StringIO(files["contrasts.csv"])))
    assert float(rows[0]["estimate"]) == content.primary.contrast.estimate
    values = list(csv.DictReader(StringIO(files["values.csv"])))
    missed = [r for r in values if r["period"] == "13" and r["outcome"] == "power"]
    assert [r["value"] for r in missed] == [""]
    assert [r["used"] for r in missed] == ["false"]


def test_cells_that_spreadsheets_would_run_are_made_harmless(content):
    periods = (replace(content.periods[0], note="=HYPERLINK(1)"), *content.periods[1:])
    files = data_files(replace(content, periods=periods, deviations=(LogEntry("now", "x"),)))
    row = next(csv.DictReader(StringIO(files["periods.csv"])))
    assert row["note"] == "'=HYPERLINK(1)"
