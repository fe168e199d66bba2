"""What the journal holds reaches the page: reasons, guesses, late changes, one comparison."""

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from trialkit.app.analysing import analyse, analyse_trial
from trialkit.app.recording import RecordRequest, record
from trialkit.app.reporting import ReportRequest, report_content, write_report
from trialkit.app.trials import open_trial
from trialkit.errors import UnanswerableError
from trialkit.journal import Draft, Kind
from trialkit.report.checklist import report_checklist
from trialkit.report.content import Status
from trialkit.report.numbers import POINT
from trialkit.report.tables import period_table
from trialkit.report.words.first_screen import first_screen_notes
from trialkit.report.words.page import blinding_lines

AT = datetime(2026, 9, 1, 12, 0, tzinfo=UTC)


@pytest.fixture
def socks(invented, tmp_path):
    root = tmp_path / "copy"
    shutil.copytree(invented("socks"), root)
    return root


def content_of(root):
    trial = open_trial(root)
    return report_content(trial, analyse_trial(trial))


def entered(root, **request):
    record(root, RecordRequest(**request), at=AT, who="tester")


def test_reasons_reach_remark_checklist_and_log(socks):
    entered(socks, period=2, exclude=True, reason="strap slipped")
    of_one = {"period": 3, "outcome": "effort", "reason": "forgot the scale", "late": False}
    open_trial(socks).add([Draft(Kind.EXCLUSION, of_one)], at=AT, who="tester")
    entered(socks, period=5, deviation="aborted", reason="thunder")
    content = content_of(socks)
    rows = {p.number: p for p in content.trial_periods()}
    assert [rows[n].status for n in (2, 3, 5, 9)] == [
        Status.EXCLUDED, Status.DONE, Status.ABORTED, Status.MISSED
    ]  # fmt: skip
    remarks = {row[0]: row[-1] for row in period_table(content, POINT).rows}
    assert remarks["2"] == "Excluded: strap slipped"
    assert "forgot the scale" in remarks["3"]
    assert remarks["5"] == "Aborted: thunder"
    told = {a.number: a.answer for a in report_checklist(content)}["13b"]
    log = " ".join(entry.text for entry in content.deviations)
    for reason in ("strap slipped", "forgot the scale", "thunder", "a cold"):
        assert reason in told
        assert reason in log


def test_persons_who_guessed_are_told_one_by_one(socks):
    delivered = open_trial(socks).delivered()
    other = next(c for c in set(delivered.values()) if c != delivered[1])
    entered(socks, period=1, guess=delivered[1], person="athlete")
    entered(socks, period=2, guess="unknown", person="athlete")
    entered(socks, period=1, guess=other, person="coach")
    found = {r.who: r for r in content_of(socks).blinding}
    assert (found["athlete"].guesses, found["athlete"].correct) == (1, 1)
    assert (found["coach"].guesses, found["coach"].correct) == (1, 0)
    assert found["athlete"].unknown == 1
    lines = blinding_lines(content_of(socks))
    assert sum(line.startswith("Guesses of the condition by") for line in lines) == 2


def amended(root, at):
    """The margin edited in the file and taken as an amendment."""
    path = root / "protocol.toml"
    text = path.read_text(encoding="utf-8")
    assert "value = 3.0," in text
    path.write_text(text.replace("value = 3.0,", "value = 2.0,", 1), encoding="utf-8")
    record(root, RecordRequest(amend=True, reason="second thoughts"), at=at, who="tester")


def test_a_margin_changed_after_a_look_is_said_on_page_and_terminal(socks):
    write_report(socks, ReportRequest(), at=AT, who="tester")
    amended(socks, AT + timedelta(days=1))
    (change,) = content_of(socks).amendments
    assert change.late
    (said, *_) = first_screen_notes(content_of(socks), POINT)
    assert said.startswith("The plan of outcomes or analysis was changed after the data had been")
    assert said in analyse(socks, at=AT + timedelta(days=2), who="tester").text


def test_a_margin_changed_before_anybody_looked_is_not_late(socks):
    amended(socks, AT)
    content = content_of(socks)
    assert not content.amendments[0].late
    assert not any("had been opened" in said for said in first_screen_notes(content, POINT))


@pytest.fixture(scope="module")
def three(tool, tmp_path_factory):
    """Three pacing plans, the first one under a name that is not the first of the alphabet."""
    maker = tool("make_example_reports")
    source = maker.OUT.parent / "protocols" / "three-pacing-plans.toml"
    text = source.read_text(encoding="utf-8").replace('"fast-start"', '"zoom-start"')
    text = text.replace("[calendar]", "[calendar]\nstart = 2026-03-02")
    scenario = maker.Scenario(
        seed=4,
        condition="zoom-start",
        measurements={"mean-power": maker.Measurement(300, 30, 3, 3)},
    )

    def run(**changes):
        root = tmp_path_factory.mktemp("three")
        (root / "protocol.toml").write_text(text, encoding="utf-8")
        plan = maker.loads(text, where="three").plan()
        maker.run(root, plan, replace(scenario, **changes))
        return root

    return run


def test_the_verdict_of_three_conditions_is_about_the_first_of_the_file(three):
    root = three()
    content = content_of(root)
    assert content.primary.contrast.condition == "zoom-start"
    about, others, *_ = first_screen_notes(content, POINT)
    assert about.startswith("This is about fast first 500 m against even pace")
    assert "slow first 500 m" in others
    write_report(root, ReportRequest(), at=AT, who="tester")
    page = (root / "report" / "index.html").read_text(encoding="utf-8")
    assert "<h1>Fast first 500 m helped this athlete.</h1>" in page


def test_without_the_first_condition_there_is_no_answer_but_a_reason(three):
    root = three()
    drawn = open_trial(root).delivered()
    gone = [n for n, condition in drawn.items() if condition == "zoom-start"]
    for number in gone:
        entered(root, period=number, exclude=True, reason="wrong drag factor")
    with pytest.raises(UnanswerableError, match="No period under “Fast first 500 m”"):
        analyse(root, at=AT, who="tester")
