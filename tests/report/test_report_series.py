"""The page of a series: words no stronger than the figures, no athlete labelled."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from trialkit.domain.outcomes import Better
from trialkit.report.numbers import Numbers
from trialkit.report.series_content import SeriesQuestion
from trialkit.report.series_page import individuals_table, render_series, series_picture
from trialkit.report.words import series as words
from trialkit.statistics.series import pool_series

ALIKE = {"A": [3.0, 5.0, 4.0], "B": [4.5, 2.5, 5.0], "C": [3.5, 4.0, 6.0], "D": [2.0, 5.5, 4.5]}
UNLIKE = {"A": [9.0, 10.0, 11.0], "B": [0.0, 1.0, -1.0], "C": [5.0, 6.0, 5.5], "D": [-4, -5.0, -3]}
QUESTION = SeriesQuestion(
    outcome="Mean power", condition="heavy gear", reference="light gear", unit="W",
    better=Better.HIGHER, invented=True,
)  # fmt: skip


@pytest.fixture(scope="module")
def alike():
    return pool_series(ALIKE)


@pytest.fixture(scope="module")
def unlike():
    return pool_series(UNLIKE)


def page(result, question=QUESTION):
    return render_series(result, question, versions={"trialkit": "0.1.0"})


def test_the_page_stands_alone_is_marked_and_labels_nobody(alike):
    text = page(alike)
    assert "Invented data: nobody was measured" in text
    assert "<script" not in text
    assert not re.search(r"https?://(?!www\.w3\.org)", text)
    assert len(re.findall("responder", text)) == len(re.findall("responder", words.NO_LABELS))
    assert "Invented" not in page(alike, replace(QUESTION, invented=False))


def test_a_clear_mean_is_told_with_its_direction(alike):
    told = words.headline(alike, QUESTION)
    assert told.short == (
        "On average, mean power was higher (better) with heavy gear than with light gear."
    )
    lower = words.headline(alike, replace(QUESTION, better=Better.LOWER))
    assert "higher (worse)" in lower.short
    unsaid = words.headline(alike, replace(QUESTION, better=None))
    assert "(" not in unsaid.short


def test_an_unclear_mean_is_not_told_as_a_difference(unlike):
    assert words.headline(unlike, QUESTION).short == (
        "On average, no clear difference between heavy gear and light gear."
    )


@pytest.mark.parametrize(
    ("margin", "said"),
    [(1.0, "beyond the 1\u00a0W"), (4.0, "the size is open"), (50.0, "inside the 50\u00a0W")],
)
def test_the_margin_is_compared_with_the_whole_range(alike, margin, said):
    assert said in words.headline(alike, replace(QUESTION, margin=margin)).long


def test_differences_between_athletes_are_claimed_only_where_shown(alike, unlike):
    assert "may be noise alone" in words.heterogeneity(alike, QUESTION)
    assert words.heterogeneity(unlike, QUESTION).startswith("True effects spread by about")


def test_table_and_picture_hold_every_athlete(unlike):
    table = individuals_table(unlike, QUESTION)
    assert [row[0] for row in table.rows] == list("ABCD")
    picture = series_picture(unlike, QUESTION)
    (ax,) = picture.figure.axes
    (own,) = [line for line in ax.lines if line.get_label() == "own result"]
    assert list(own.get_xdata()) == pytest.approx([one.raw for one in unlike.individuals])
    assert "Own results run from" in picture.finding


def test_user_text_cannot_become_markup_and_a_comma_can_be_asked_for(alike):
    evil = replace(QUESTION, condition="<script>alert(1)</script>")
    assert "<script" not in page(alike, evil)
    comma = replace(QUESTION, numbers=Numbers(decimal_comma=True))
    assert "4,1" in page(alike, comma)
