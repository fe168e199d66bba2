"""All pictures of one report, drawn from its content: the page shows them, files hold them."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

import numpy as np

from trialkit.report.content import ChannelCurves, OutcomeResult, PageContent
from trialkit.report.figures import style
from trialkit.report.figures.curves import draw_band, draw_curves
from trialkit.report.figures.cuts import cuts_height, draw_cuts
from trialkit.report.figures.difference import draw_difference, require_estimate
from trialkit.report.figures.distributions import draw_agreement, draw_null
from trialkit.report.figures.forests import ForestRow, draw_forest
from trialkit.report.figures.noise import draw_noise
from trialkit.report.figures.pairs import Pair, draw_pairs, pair_differences
from trialkit.report.figures.periods import draw_periods
from trialkit.report.numbers import POINT, Numbers, Printer
from trialkit.report.svg import Picture, new_figure
from trialkit.report.words import findings
from trialkit.report.words import pictures as words
from trialkit.report.words.verdicts import Names


def names_of(content: PageContent, result: OutcomeResult) -> Names:
    """The words for the two sides of a result's first contrast."""
    plan = content.plan
    condition = next((c for c in plan.condition_names if c != plan.reference.name), "")
    if result.estimate is not None:
        condition = result.contrast.condition
    return Names(
        condition=words.lower_first(content.label(condition)),
        reference=words.lower_first(plan.reference.label),
        outcome=result.outcome.label,
        blocks="pairs" if plan.design.block_size == 2 and len(plan.conditions) == 2 else "blocks",
    )


def pairs_of(content: PageContent, result: OutcomeResult) -> tuple[Pair, ...]:
    """Mean values of each block that holds both sides of the first contrast, in time order."""
    if result.estimate is None:
        return ()
    contrast = result.contrast
    blocks: dict[int, dict[str, list[float]]] = {}
    for period in content.trial_periods():
        value = period.value(result.outcome.name)
        if value is not None:
            held = period.delivered_condition or period.planned_condition
            blocks.setdefault(period.block, {}).setdefault(held, []).append(value)
    return tuple(
        Pair(
            block=block,
            reference=float(np.mean(values[contrast.reference])),
            condition=float(np.mean(values[contrast.condition])),
        )
        for block, values in blocks.items()
        if contrast.reference in values and contrast.condition in values
    )


def build_pictures(content: PageContent, numbers: Numbers = POINT) -> dict[str, Picture]:
    """Draw every picture the content has data for, by name, in the order of the page."""
    with style.house_style():
        return {p.name: p for p in _all(content, numbers)}


def _all(content: PageContent, numbers: Numbers) -> Iterator[Picture]:
    result = content.primary
    if result is not None:
        yield from _of_primary(content, result, numbers)
    for i, curves in enumerate(content.curves, start=1):
        yield _curves(content, curves, number=i, numbers=numbers)
    if result is not None and result.estimate is not None:
        yield from _of_analysis(result, numbers)
    if len([r for r in content.estimates if r.estimate is not None]) > 1:
        yield _outcomes(content, numbers)
    for i, channel in enumerate(content.cuts, start=1):
        figure = draw_cuts(new_figure(cuts_height(channel)), channel, numbers=numbers)
        title = f"{words.channel_label(channel.channel)}: what was cut"
        yield Picture(f"cuts-{i}", title, findings.of_cuts(channel), figure)


def _of_primary(content: PageContent, result: OutcomeResult, numbers: Numbers) -> Iterator[Picture]:
    outcome, marks = result.outcome, style.marks_of(content.plan)
    names, pairs = names_of(content, result), pairs_of(content, result)
    if result.estimate is not None:
        figure = new_figure(3.0)
        draw_difference(
            figure.subplots(), result, pairs=pair_differences(pairs, outcome), numbers=numbers
        )
        finding = findings.of_difference(result, numbers)
        yield Picture("difference", "Difference against noise and margin", finding, figure)
    periods = content.trial_periods()
    if periods:
        figure = new_figure(3.1)
        draw_periods(figure.subplots(), outcome, periods=periods, marks=marks, numbers=numbers)
        yield Picture(
            "periods", "Periods in time order", findings.of_periods(outcome, periods), figure
        )
    if pairs and result.estimate is not None:
        ends = (content.plan.reference.name, result.contrast.condition)
        figure = new_figure(3.3)
        both = (marks[ends[0]], marks[ends[1]])
        draw_pairs(figure.subplots(), outcome, pairs=pairs, marks=both, numbers=numbers)
        yield Picture("pairs", "Pairs", findings.of_pairs(pairs, outcome, names), figure)
        figure = new_figure(2.8)
        draw_agreement(figure.subplots(), pairs, outcome=outcome, numbers=numbers)
        finding = findings.of_agreement(pairs, outcome, names)
        yield Picture("agreement", "Difference against mean", finding, figure)


def _curves(
    content: PageContent, curves: ChannelCurves, *, number: int, numbers: Numbers
) -> Picture:
    marks = style.marks_of(content.plan)
    if curves.band is None:
        figure = new_figure(2.8)
        draw_curves(figure.subplots(), curves, marks=marks, numbers=numbers)
    else:
        figure = new_figure(4.3)
        top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        draw_curves(top, curves, marks=marks, numbers=numbers)
        top.set_xlabel("")
        draw_band(bottom, curves, numbers=numbers)
    others = [c for c in content.plan.conditions if not c.reference and c.name in curves.conditions]
    names = Names(
        condition=words.lower_first(others[0].label) if others else "",
        reference=words.lower_first(content.plan.reference.label),
        outcome=words.channel_label(curves.channel),
    )
    finding = findings.of_curves(curves, names, numbers)
    return Picture(f"curves-{number}", words.channel_label(curves.channel), finding, figure)


def _of_analysis(result: OutcomeResult, numbers: Numbers) -> Iterator[Picture]:
    estimate, outcome = require_estimate(result), result.outcome
    if estimate.noise is not None:
        figure = new_figure(1.75)
        draw_noise(figure.subplots(), estimate.noise, outcome=outcome, numbers=numbers)
        finding = findings.of_noise(estimate.noise, outcome, numbers)
        yield Picture("noise", "Noise planned and seen", finding, figure)
    if estimate.sensitivity:
        yield _sensitivity(result, numbers)
    if result.null is not None:
        figure = new_figure(2.6)
        draw_null(figure.subplots(), result.null, outcome=outcome, numbers=numbers)
        finding = findings.of_null(result.null, numbers)
        yield Picture("null", "What chance alone would give", finding, figure)


def _sensitivity(result: OutcomeResult, numbers: Numbers) -> Picture:
    estimate, outcome, first = require_estimate(result), result.outcome, result.contrast
    printer = Printer.of(outcome, first.se, numbers)
    found = [(first, True), *((row.contrast, False) for row in estimate.sensitivity)]
    rows = [
        ForestRow(
            label=c.method,
            estimate=printer.shown(c.estimate),
            low=printer.shown(c.interval.low),
            high=printer.shown(c.interval.high),
            strong=strong,
        )
        for c, strong in found
        if isfinite(c.interval.low) and isfinite(c.interval.high)
    ]
    figure = new_figure(0.9 + 0.42 * len(rows))
    margin = outcome.analysis_margin
    draw_forest(
        figure.subplots(),
        rows,
        axis=style.axis_title(words.difference_axis(outcome.label), printer.axis_unit),
        margin=None if margin is None else printer.shown(margin),
        numbers=numbers,
    )
    return Picture("sensitivity", "Other methods", findings.of_sensitivity(estimate), figure)


def _outcomes(content: PageContent, numbers: Numbers) -> Picture:
    rows = [row for result in content.estimates if (row := _outcome_row(result)) is not None]
    figure = new_figure(0.9 + 0.42 * len(rows))
    draw_forest(figure.subplots(), rows, axis=words.OUTCOMES_AXIS, numbers=numbers)
    return Picture("outcomes", "All outcomes", findings.of_forest(rows), figure)


def _outcome_row(result: OutcomeResult) -> ForestRow | None:
    # Different units share one axis only after division by each outcome's own noise.
    if result.estimate is None or result.estimate.noise is None:
        return None
    contrast, noise = result.contrast, result.estimate.noise.typical_error
    if not noise > 0:
        return None
    sign = result.outcome.better.sign
    ends = sorted((sign * contrast.interval.low / noise, sign * contrast.interval.high / noise))
    return ForestRow(
        label=result.outcome.label,
        estimate=sign * contrast.estimate / noise,
        low=ends[0],
        high=ends[1],
        strong=result.outcome.role.value == "primary",
    )
