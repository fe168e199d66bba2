"""The page: one self-contained HTML document, readable without scripts and without a network."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any, Literal

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from trialkit.report import tables
from trialkit.report.checklist import checklist_summary, checklist_table, report_checklist
from trialkit.report.content import OutcomeResult, PageContent
from trialkit.report.gallery import build_pictures, names_of
from trialkit.report.numbers import Numbers
from trialkit.report.svg import Picture, inline
from trialkit.report.words import cautions, findings, glossary, page, verdicts
from trialkit.report.words.after import after_verdict
from trialkit.report.words.checklist_answers import free_text
from trialkit.report.words.facts import facts
from trialkit.report.words.first_screen import first_screen_notes
from trialkit.report.words.limits import limits_of
from trialkit.report.words.method import method_paragraph
from trialkit.report.words.pictures import upper_first
from trialkit.report.words.verdicts import Headline, Names

Variant = Literal["full", "athlete"]


_ON_THE_SHEET = ("difference", "periods")


def render_page(
    content: PageContent,
    *,
    variant: Variant = "full",
    decimal_comma: bool = False,
    pictures: Mapping[str, Picture] | None = None,
) -> str:
    """Write the report of a trial as one HTML document.

    Parameters
    ----------
    content
        Everything the report tells.
    variant
        ``full`` for the whole report, ``athlete`` for one sheet.
    decimal_comma
        Print 3,5 instead of 3.5.
    pictures
        The pictures of this content, where they were drawn before.
    """
    numbers = Numbers(decimal_comma)
    drawn = build_pictures(content, numbers) if pictures is None else pictures
    shown = drawn if variant == "full" else {n: p for n, p in drawn.items() if n in _ON_THE_SHEET}
    template = template_environment().get_template(f"{variant}.html")
    return template.render(_view(content, numbers, shown), variant=variant) + "\n"


@cache
def template_environment() -> Environment:
    """The templates, escaping everything that is not marked safe."""
    environment = Environment(
        loader=PackageLoader("trialkit.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(css=_css_string, anchor=_anchor, explain=_explain)
    environment.globals.update(headings=page.HEADINGS, words=page, glossary=glossary.GLOSSARY)
    return environment


def _css_string(text: str) -> Markup:
    # A style sheet knows no HTML entities; anything but plain letters goes in as a code point.
    safe = "".join(c if c.isalnum() or c in " .,:-" else f"\\{ord(c):x} " for c in text)
    return Markup(f'"{safe}"')


def _anchor(word: str) -> str:
    return "word-" + "".join(c if c.isalnum() else "-" for c in word)


_TERMS = re.compile(
    r"\b(" + "|".join(map(re.escape, sorted(glossary.GLOSSARY, key=len, reverse=True))) + r")\b"
)


def _explain(text: str) -> Markup:
    """Link the first use of each technical word to the glossary, with its meaning on hover."""
    seen: set[str] = set()

    def linked(match: re.Match[str]) -> str:
        word = match.group(1)
        if word in seen:
            return word
        seen.add(word)
        meaning = escape(glossary.GLOSSARY[word])
        return f'<a class="term" href="#{_anchor(word)}" title="{meaning}">{word}</a>'

    return Markup(_TERMS.sub(linked, str(escape(text))))


def _view(
    content: PageContent, numbers: Numbers, pictures: Mapping[str, Picture]
) -> dict[str, Any]:
    result, answered = content.primary, report_checklist(content)
    return {
        "content": content,
        "plan": content.plan,
        "title": page.document_title(content.plan),
        "running_head": content.plan.title,
        "invented": content.is_invented,
        "pictures": {name: Markup(inline(p)) for name, p in pictures.items()},
        "findings": {name: p.finding for name, p in pictures.items()},
        "titles": {name: p.title for name, p in pictures.items()},
        "curve_names": [name for name in pictures if name.startswith("curves-")],
        "cut_names": [name for name in pictures if name.startswith("cuts-")],
        "blinding": page.blinding_lines(content),
        "cautions": cautions.all_cautions(content.plan),
        "limits": limits_of(content, numbers),
        "sheet_limits": (*content.limits, *page.LIMITS),
        "band_note": page.band_note(content),
        "others_rule": page.others_rule(content),
        "small_print": page.verdict_small_print(content),
        "quality_summary": page.quality_summary(content),
        "checklist": checklist_table(answered, page.CHECKLIST),
        "checklist_summary": checklist_summary(answered),
        "after": _after(content),
        "beside": first_screen_notes(content, numbers),
        "harms": page.harm_line(content),
        "method": method_paragraph(content, numbers),
        "tables": _tables(content, numbers),
        **_answer(result, None if result is None else names_of(content, result), numbers),
    }


def _after(content: PageContent) -> str:
    result = content.primary
    decision = None if result is None or result.estimate is None else result.estimate.decision
    return after_verdict(free_text(content.plan, "trial.after_trial"), decision)


def _answer(result: OutcomeResult | None, names: Names | None, numbers: Numbers) -> dict[str, Any]:
    empty: dict[str, Any] = {"facts": (), "next": "", "notes": (), "why": "", "moves": ""}
    if result is None or names is None:
        return {**empty, "headline": Headline(page.NO_PRIMARY, page.NO_PRIMARY_WHY)}
    if result.estimate is None:
        return {**empty, "headline": Headline(page.NO_ESTIMATE, upper_first(result.why_none))}
    estimate = result.estimate
    return {
        "headline": verdicts.headline(result, names, numbers),
        "facts": facts(result, numbers),
        "next": verdicts.what_next(estimate.decision, blocks=names.blocks),
        "notes": (*filter(None, [verdicts.scale_note(result.outcome)]), *estimate.notes),
        "why": upper_first(estimate.why.rstrip(".")) + ".",
        "moves": findings.agreement(estimate),
    }


def _tables(content: PageContent, numbers: Numbers) -> dict[str, tables.Table]:
    made = {
        "periods": tables.period_table(content, numbers),
        "covariates": tables.covariate_table(content, numbers),
        "contrasts": tables.contrast_table(content, numbers),
        "harms": tables.harm_table(content),
        "deviations": tables.deviation_table(content),
        "amendments": tables.amendment_table(content),
        "quality": tables.quality_table(content),
        "faults": tables.quality_table(content, faults_only=True),
        "facts": tables.facts_table(content),
    }
    if content.primary is not None:
        made["sensitivity"] = tables.sensitivity_table(content.primary, numbers)
    return made
