"""One result as a piece of HTML for a notebook, in the words of the page."""

from __future__ import annotations

from trialkit.domain.outcomes import Role
from trialkit.report.content import OutcomeResult
from trialkit.report.numbers import POINT, Numbers
from trialkit.report.page import template_environment
from trialkit.report.words.facts import facts
from trialkit.report.words.verdicts import Headline, Names, beside, headline, what_next


def result_html(result: OutcomeResult, names: Names, *, numbers: Numbers = POINT) -> str:
    """Write one result as HTML, every word from outside escaped.

    Only a primary outcome is told with its verdict.
    """
    estimate = result.estimate
    if estimate is None:
        said = Headline(f"{result.outcome.label}: no answer.", result.why_none)
        return _rendered(said, outcome=result.outcome.label)
    if result.outcome.role is not Role.PRIMARY:
        return _rendered(beside(result, names, numbers), outcome=result.outcome.label)
    view = {
        "facts": facts(result, numbers),
        "next": what_next(estimate.decision, blocks=names.blocks),
        "notes": estimate.notes,
    }
    return _rendered(headline(result, names, numbers), outcome=result.outcome.label, **view)


def _rendered(said: Headline, **view: object) -> str:
    empty: dict[str, object] = {"facts": (), "next": "", "notes": ()}
    template = template_environment().get_template("result.html")
    return template.render({**empty, **view, "headline": said})
