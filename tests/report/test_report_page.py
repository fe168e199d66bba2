"""The page: self-contained, well-formed, honest, the same bytes on every run."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from invented_trial import HEART, PLAN

from trialkit.domain.estimates import Verdict
from trialkit.domain.outcomes import Role
from trialkit.report.content import NullDistribution, OutcomeResult
from trialkit.report.gallery import build_pictures
from trialkit.report.page import render_page
from trialkit.report.svg import inline, picture_bytes, write_picture

VOID = {"meta", "link", "br", "hr", "img", "input", "path", "use"}


class Reader(HTMLParser):
    """Collects what the tests look at, and checks that elements close in order."""

    def __init__(self, text):
        super().__init__()
        self.ids, self.links, self.tags, self.open, self.faults = [], [], [], [], []
        self.said = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.tags.append((tag, found))
        if "id" in found:
            self.ids.append(found["id"])
        if "href" in found:
            self.links.append(found["href"])
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.said.append(data)


@pytest.fixture(scope="module")
def page(content):
    return render_page(content)


@pytest.fixture(scope="module")
def read(page):
    return Reader(page)


def test_the_page_stands_alone_and_needs_no_script(page, read):
    assert not [tag for tag, _ in read.tags if tag in ("script", "img", "iframe", "link")]
    assert not re.search(r"https?://(?!www\.w3\.org)", page)
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)


def test_the_page_is_well_formed_and_small(page, read):
    assert read.faults == []
    assert read.open == []
    assert len(page.encode()) < 1_500_000


def test_ids_are_unique_and_every_link_lands(read):
    assert len(read.ids) == len(set(read.ids))
    targets = {link.removeprefix("#") for link in read.links}
    assert targets <= set(read.ids)


def test_every_figure_has_a_role_a_title_and_its_finding(read, content):
    figures = [found for tag, found in read.tags if tag == "svg"]
    assert len(figures) == len(build_pictures(content))
    for figure in figures:
        assert figure["role"] == "img"
        assert set(figure["aria-labelledby"].split()) <= set(read.ids)


def test_two_runs_give_the_same_bytes(page, make_content):
    assert render_page(make_content()) == page


def test_the_first_screen_answers(read):
    said = " ".join(" ".join(read.said).split())
    first = said[: said.index("Every period, in order")]
    for expected in (
        "A 20 min warm-up helped this athlete.",
        "9.2 W higher (better)",
        "How big?",
        "How sure?",
        "Bigger than the noise?",
        "Big enough to matter?",
    ):
        assert expected in first.replace("\u00a0", " ")


@pytest.mark.parametrize("variant", ["full", "athlete"])
def test_invented_data_are_marked_on_screen_and_on_every_printed_page(content, variant):
    text = render_page(content, variant=variant)
    assert (
        '<aside class="band" aria-label="invented data">Invented data: nobody was measured</aside>'
        in text
    )
    assert '<div class="watermark" aria-hidden="true">' in text
    assert '@top-center { content: "Invented data: nobody was measured"' in text


def test_real_data_are_not_marked(content):
    real = replace(content, invented=False, plan=replace(PLAN, invented=False))
    text = render_page(real)
    assert "Invented data" not in text
    assert 'class="watermark"' not in text


def test_no_word_claims_more_than_the_rule(content, make_content):
    for shown in (content, make_content(0.0, noise=2.0), make_content(3.0), make_content(-9.0)):
        text = " ".join(Reader(render_page(shown)).said).lower()
        assert "proved" not in text
        assert "proven" not in text
        assert "significant" not in text


def test_user_text_cannot_become_markup(content):
    evil = '<script>alert("x")</script>'
    plan = replace(PLAN, title=evil, question=evil)
    text = render_page(replace(content, plan=plan))
    assert "<script" not in text
    assert "</style><" not in text


def test_a_style_sheet_cannot_be_broken_out_of(content):
    plan = replace(PLAN, title='x"; } body { display: none } </style>')
    style = render_page(replace(content, plan=plan)).split("<style>")[1].split("</style>")[0]
    assert "display: none }" not in style.replace(".watermark { display: none; }", "")


def test_a_secondary_outcome_never_reaches_the_headline(content):
    plan = replace(PLAN, outcomes=tuple(replace(o, role=Role.SECONDARY) for o in PLAN.outcomes))
    results = tuple(
        replace(r, outcome=o) for r, o in zip(content.estimates, plan.outcomes, strict=True)
    )
    text = render_page(replace(content, plan=plan, estimates=results))
    heading = re.search("<h1>(.*?)</h1>", text).group(1)
    assert heading == "No verdict: the plan names no single primary outcome."
    assert "helped" not in " ".join(Reader(text).said)


def test_an_outcome_without_an_estimate_says_why(content):
    results = (OutcomeResult(content.estimates[0].outcome, None, "No block is complete."),)
    text = render_page(replace(content, estimates=results, curves=()))
    assert "No answer: the data could not be analysed." in text
    assert "No block is complete." in text


def test_a_trial_that_is_not_settled_says_what_would_settle_it(make_content):
    content = make_content(3.0)
    assert content.primary.estimate.decision.verdict is Verdict.NOT_SETTLED
    said = " ".join(Reader(render_page(content)).said)
    assert "Not settled" in said
    assert "would probably settle it" in said


def test_decimal_comma_reaches_text_tables_and_figures(content):
    text = render_page(content, decimal_comma=True)
    said = " ".join(Reader(text).said).replace("\u00a0", " ")
    assert "9,2 W higher" in said
    assert "320,7" in said
    assert re.search(r">2,5</text>", text)


def test_the_athlete_sheet_is_short_and_carries_no_technical_tables(content):
    sheet = Reader(render_page(content, variant="athlete"))
    assert "table" not in {tag for tag, _ in sheet.tags}
    assert sheet.faults == []


def test_harms_that_nobody_asked_about_are_not_called_absent(content):
    assert "Nobody was asked" in render_page(replace(content, harms=None))
    assert "none were reported" in render_page(replace(content, harms=()))


def test_three_conditions_are_told_apart(content):
    assert HEART.name in {r.outcome.name for r in content.others}


@pytest.mark.parametrize(
    ("ending", "start"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_figures_are_written_as_files_with_the_same_bytes(content, tmp_path, ending, start):
    picture = build_pictures(content)["difference"]
    path = write_picture(picture, tmp_path / f"difference.{ending}")
    assert path.read_bytes().startswith(start)
    again = build_pictures(content)["difference"]
    assert picture_bytes(again, ending) == path.read_bytes()


def test_inline_figures_use_the_page_colours_only(content):
    for picture in build_pictures(content).values():
        drawn = inline(picture)
        assert set(re.findall(r"#[0-9a-fA-F]{6}", drawn)) <= {"#000000", "#ffffff"}
        assert "DejaVu" not in drawn


def test_inline_pictures_keep_labels_and_shorten_only_coordinates(content):
    drawn = inline(build_pictures(content)["curves-1"])
    inside_tags = "".join(re.findall(r"<[^>]+>", drawn))
    assert not re.search(r"\d\.\d{3,}", inside_tags)
    null = NullDistribution(np.array([0.001, 0.0025, -0.004]), 0.0025, 0.5, exact=True)
    result = replace(content.primary, null=null)
    picture = build_pictures(replace(content, estimates=(result,)))["null"]
    said = re.findall(r">([^<>]+)</text>", inline(picture))
    assert any(re.fullmatch(r"[−]?0\.00\d+", text) for text in said)
