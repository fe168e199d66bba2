"""The page of a series: the mean effect, every athlete beside it, and what the next may expect."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from markupsafe import Markup

from trialkit.report.figures import style
from trialkit.report.figures.forests import ForestRow, SeriesRow, draw_series
from trialkit.report.page import template_environment
from trialkit.report.series_content import SeriesQuestion
from trialkit.report.svg import Picture, inline, new_figure
from trialkit.report.tables import Table
from trialkit.report.words import pictures as picture_words
from trialkit.report.words import series as words
from trialkit.report.words.cautions import EXERCISE
from trialkit.report.words.pictures import lower_first, upper_first

if TYPE_CHECKING:
    from trialkit.statistics.series import SeriesResult


def render_series(
    result: SeriesResult, question: SeriesQuestion, *, versions: Mapping[str, str]
) -> str:
    """Write the page of a pooled series as one self-contained HTML document."""
    title = (
        f"{upper_first(question.condition)} against {question.reference}: a series of n-of-1 trials"
    )
    drawn = series_picture(result, question)
    told = ", ".join(f"{name} {version}" for name, version in versions.items())
    view = {
        "title": title,
        "running_head": title,
        "invented": question.invented,
        "variant": "series",
        "headline": words.headline(result, question),
        "facts": words.facts(result, question),
        "pictures": {"difference": Markup(inline(drawn))},
        "findings": {"difference": drawn.finding},
        "series": words,
        "individuals": individuals_table(result, question),
        "heterogeneity": words.heterogeneity(result, question),
        "method": words.method(result, question, f"Computed with {told}." if told else ""),
        "notes": (*result.notes, *question.notes),
        "cautions": EXERCISE,
    }
    return template_environment().get_template("series.html").render(view) + "\n"


def series_picture(result: SeriesResult, question: SeriesQuestion) -> Picture:
    """Draw every athlete's own and shrunken effect over the mean."""
    mean, level = result.mean, question.numbers.level(result.mean.ci.level)
    rows = [
        SeriesRow(one.athlete, one.raw, one.shrunken, one.ci.low, one.ci.high)
        for one in result.individuals
    ]
    label = f"mean of all, {level} range"
    with style.house_style():
        figure = new_figure(1.3 + 0.42 * (len(rows) + 1))
        draw_series(
            figure.subplots(),
            rows,
            mean=ForestRow(label, mean.estimate, mean.ci.low, mean.ci.high),
            axis=style.axis_title(picture_words.difference_axis(question.outcome), question.unit),
            margin=question.margin,
            numbers=question.numbers,
        )
    return Picture("series", words.PICTURE, words.finding(result, question), figure)


def individuals_table(result: SeriesResult, question: SeriesQuestion) -> Table:
    """Every athlete's own result and the one moved towards the mean."""
    places = words.places_of(result)
    level = question.numbers.level(result.mean.ci.level)
    rows = tuple(
        (
            one.athlete,
            str(one.pairs),
            words.of_value(one.raw, question, places),
            words.of_value(one.shrunken, question, places),
            words.of_interval(one.ci, question, places),
        )
        for one in result.individuals
    )
    caption = f"Difference in {lower_first(question.outcome)} by athlete"
    return Table(caption, (*words.HEADS, f"{level} range"), rows, numeric=(1, 2, 3, 4))
