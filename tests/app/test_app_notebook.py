"""Notebook use: light import, results and frames from the same doors, everything escaped."""

import subprocess
import sys
from dataclasses import replace
from html import escape
from pathlib import Path

import pandas as pd
import pytest

import trialkit
from trialkit.app.opening import open_next
from trialkit.errors import RequestError
from trialkit.journal import Journal

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def trial(demo_root):
    return trialkit.load(demo_root, who="tester")


def test_import_stays_light():
    code = (
        "import sys, trialkit\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'jinja2', 'pydantic'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_an_unknown_name_is_refused():
    with pytest.raises(AttributeError, match="nothing_here"):
        _ = trialkit.nothing_here


def test_results_are_those_of_the_analysis(trial):
    results = trial.estimate()
    assert [r.answer.outcome.role.value for r in results] == ["primary", "secondary", "check"]
    assert results.primary.verdict == "helps"
    assert results["oxygen_low"].contrast.p_adjusted is not None
    assert len(results) == 3
    with pytest.raises(KeyError):
        results["no such outcome"]


def test_a_finished_and_opened_trial_gets_no_new_entry(demo_root, trial):
    with Journal.open(demo_root / "trial.db", read_only=True) as journal:
        before = journal.head
    trial.estimate()
    trial.table()
    with Journal.open(demo_root / "trial.db", read_only=True) as journal:
        assert journal.head == before


def test_the_table_holds_every_period_and_outcome(trial):
    table = trial.table()
    periods = table[table["kind"] == "trial"]
    assert len(periods) == 16 * 3
    assert set(periods["condition"]) == {"warm", "short"}
    assert periods["value"].notna().all()
    assert str(table["started_at"].dtype).startswith("datetime64")
    assert "value" in table.attrs


def test_the_page_is_that_of_the_report(demo_root, trial):
    assert trial.page_html().encode() == (demo_root / "report" / "index.html").read_bytes()
    assert "4,2" in trial.page_html(decimal_comma=True)


def test_html_of_a_result_uses_the_words_of_the_page_and_escapes_them(trial):
    primary = trial.estimate().primary
    shown = primary._repr_html_()
    assert "helped this athlete" in shown
    evil = "<script>alert(1)</script>"
    names = replace(primary.names, condition=evil)
    html = replace(primary, names=names)._repr_html_()
    assert "<script" not in html
    assert escape("<script>") in html


def test_an_outcome_without_a_verdict_shows_none(trial):
    shown = trial.estimate()["oxygen_low"]._repr_html_()
    assert "no verdict" in shown
    assert "helped" not in shown


def frame():
    return pd.DataFrame(
        {
            "watts": [300.0, 306, 301, 309, 298, 305, 303, 308],
            "way": ["old", "new"] * 4,
            "pair": [1, 1, 2, 2, 3, 3, 4, 4],
        }
    )


def test_a_data_frame_goes_in():
    columns = trialkit.TableColumns("watts", "way", "pair")
    question = trialkit.TableQuestion(reference="old", worthwhile=2.0)
    result = trialkit.estimate(frame(), columns, question)
    assert result.contrast.estimate == pytest.approx(6.5)
    assert "6.5" in repr(result)


@pytest.mark.parametrize(
    ("columns", "match"),
    [
        (trialkit.TableColumns("power", "way", "pair"), "power"),
        (trialkit.TableColumns("way", "watts", "pair"), "numbers are needed"),
    ],
)
def test_a_frame_that_does_not_fit_is_refused(columns, match):
    with pytest.raises(RequestError, match=match):
        trialkit.estimate(frame(), columns, trialkit.TableQuestion(reference="old"))


def test_an_unfinished_trial_stays_closed_unless_a_look_is_asked_for(tmp_path, tool):
    maker = tool("make_example_reports")
    text = (ROOT / "reports" / "scenarios" / "music.toml").read_text(encoding="utf-8")
    (tmp_path / "protocol.toml").write_text(text, encoding="utf-8")
    plan = maker.loads(text, where="music").plan()
    scenario = maker.SCENARIOS["music"]
    start = maker.draw_and_date(tmp_path, plan, scenario)[0]
    open_next(tmp_path, code="", at=start, who="tester")
    with pytest.raises(RequestError, match="false verdict"):
        trialkit.load(tmp_path, who="tester").table()
    looked = trialkit.load(tmp_path, who="tester", interim=True)
    assert len(looked.table()) > 0
    with Journal.open(tmp_path / "trial.db", read_only=True) as journal:
        assert {"analysis-opened", "look"} <= {str(e.kind) for e in journal.entries()}


def test_the_documented_example_is_what_the_code_gives(tool):
    maker = tool("make_notebook_example")
    assert maker.notebook() == maker.OUT.read_text(encoding="utf-8")
