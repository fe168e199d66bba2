"""Rests, practice and what became of periods: told as entered, never as planned."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from invented_trial import PLAN

from trialkit.domain.plans import RestPlan, Span
from trialkit.report.checklist import report_checklist
from trialkit.report.content import Kind, PeriodRow, Status
from trialkit.report.numbers import POINT
from trialkit.report.tables import period_table
from trialkit.report.words.limits import limits_of
from trialkit.report.words.method import method_paragraph


def moved(content, number, hours):
    """The content with one period started so many hours later."""
    rows = [
        replace(p, actual_start=p.actual_start + timedelta(hours=hours))
        if p.number == number
        else p
        for p in content.periods
    ]
    return replace(content, periods=tuple(rows))


def exact(content):
    """The content with every period held as planned, in sessions of one period."""
    rows = tuple(replace(p, actual_start=p.planned_start) for p in content.periods)
    return replace(content, periods=rows)


def test_the_method_tells_planned_and_real_rests(make_content):
    content = exact(make_content(missing=False))
    assert (
        "Rests planned: 2 to 4 days between sessions, drawn within these limits. Real ones, from "
        "start to start: between sessions median 3 days, shortest 3 days." in
        method_paragraph(content, POINT)
    )  # fmt: skip
    assert not any("shorter than planned" in text for text in limits_of(content))


def test_a_rest_shorter_than_planned_is_a_limit(make_content):
    content = moved(exact(make_content(missing=False)), 4, -40)
    assert "shortest 32 h" in method_paragraph(content, POINT)
    (said,) = [text for text in limits_of(content) if "shorter than planned" in text]
    assert said.startswith("1 of 15 rests between sessions was shorter than planned (shortest 32 h")
    assert "planned at least 2 days" in said


def test_a_session_that_starts_a_little_earlier_in_the_day_is_no_limit(make_content):
    plan = replace(PLAN, rest=RestPlan(between_sessions=Span(3, 3, "day")))
    content = moved(exact(make_content(missing=False, plan=plan)), 4, -2)
    assert not any("shorter than planned" in text for text in limits_of(content))


def test_rests_inside_a_session_are_apart_from_those_between(make_content):
    content = make_content(missing=False)
    first, second, third, *_ = content.periods
    start = first.actual_start
    rows = (
        first,
        replace(second, session=1, actual_start=start + timedelta(minutes=25)),
        replace(third, session=2, actual_start=start + timedelta(days=3)),
    )
    both = RestPlan(between_periods=Span(30, 40, "min"), between_sessions=Span(2, 4, "day"))
    content = replace(content, periods=rows, plan=replace(PLAN, rest=both))
    said = method_paragraph(content, POINT)
    assert "between periods of one session median 25 min, shortest 25 min" in said
    assert "between sessions median 3 days" in said
    assert any("1 of 1 rests between periods of one session" in text for text in limits_of(content))


def test_practice_that_was_not_entered_is_not_claimed(make_content):
    content = make_content()
    assert "2 practice periods were planned; none was entered." in method_paragraph(content, POINT)
    practice = PeriodRow(1, 0, 0, "", None, values={"power": 300.0}, kind=Kind.FAMILIARISATION)
    held = replace(content, periods=(practice, *content.periods))
    assert "1 practice period (of 2 planned) was held" in method_paragraph(held, POINT)


def test_reasons_reach_remark_and_checklist_in_the_words_of_the_entry(content):
    ends = {
        2: (Status.EXCLUDED, "excluded: slipped off the pedal"),
        3: (Status.ABORTED, "aborted: stitch"),
        5: (Status.DONE, "moved to 2026-03-14: work; excluded (mean heart rate): strap off"),
    }
    rows = tuple(
        replace(p, status=ends[p.number][0], note=ends[p.number][1]) if p.number in ends else p
        for p in content.periods
    )
    content = replace(content, periods=rows)
    remarks = {row[0]: row[-1] for row in period_table(content, POINT).rows}
    assert remarks["2"] == "Excluded: slipped off the pedal"
    assert remarks["3"] == "Aborted: stitch"
    assert remarks["5"].startswith("Moved to 2026-03-14: work; excluded (mean heart rate)")
    assert remarks["13"] == "Missed; illness"
    told = {a.number: a.answer for a in report_checklist(content)}
    for number, words in (
        ("13b", "slipped"),
        ("13b", "stitch"),
        ("13b", "strap"),
        ("13b", "illne"),
    ):
        assert words in told[number]
    assert "Period 4" not in told["13b"]


def test_a_year_is_told_only_where_it_is_another(content):
    first, second, *others = content.periods
    later = second.actual_start.replace(year=2027)
    rows = (first, replace(second, actual_start=later), *others)
    table = period_table(replace(content, periods=rows), POINT)
    held = table.heads.index("Held")
    assert " 2027 " in table.rows[1][held]
    assert "2026" not in "".join(row[held] for row in table.rows)
    assert table.caption.endswith("2027; times of Europe/Berlin")
