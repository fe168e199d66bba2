"""Figures are read by what was drawn: artists, labels, limits."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest
from invented_trial import HEART, PLAN, POWER
from matplotlib.figure import Figure

from trialkit.domain.estimates import Noise
from trialkit.domain.outcomes import Better, Scale
from trialkit.report.content import NullDistribution, PeriodRow, Status
from trialkit.report.figures import style
from trialkit.report.figures.curves import draw_band, draw_curves
from trialkit.report.figures.difference import draw_difference
from trialkit.report.figures.distributions import (
    PowerCurve,
    draw_agreement,
    draw_null,
    draw_power,
)
from trialkit.report.figures.forests import ForestRow, SeriesRow, draw_forest, draw_series
from trialkit.report.figures.noise import draw_noise
from trialkit.report.figures.pairs import Pair, draw_pairs
from trialkit.report.figures.periods import draw_periods
from trialkit.report.numbers import Numbers
from trialkit.report.svg import VARIABLES
from trialkit.report.words.pictures import LIMITS_OF_PAIRS

PAIRS = (Pair(1, 300.0, 310.0), Pair(2, 305.0, 304.0), Pair(3, 302.0, 309.0))


@pytest.fixture
def ax():
    return Figure().subplots()


def lines(ax, label):
    return [line for line in ax.lines if line.get_label() == label]


def texts(ax):
    return [t.get_text() for t in ax.texts]


def test_difference_shows_mean_noise_margin_and_every_pair(ax, content):
    result = content.primary
    draw_difference(ax, result, pairs=(1.0, 12.0, 9.5))
    (mean,) = lines(ax, "mean")
    assert mean.get_xdata()[0] == pytest.approx(result.contrast.estimate)
    (pairs,) = lines(ax, "pairs")
    assert list(pairs.get_xdata()) == [1.0, 12.0, 9.5]
    ends = [tuple(line.get_xdata()) for line in ax.lines if line.get_linewidth() > 5]
    mdc = result.estimate.noise.mdc_mean
    assert (-mdc, mdc) in ends
    zone = next(p for p in ax.patches if p.get_label() == "margin")
    assert (zone.get_x(), zone.get_x() + zone.get_width()) == pytest.approx((-4.0, 4.0))
    assert ax.get_xlabel() == "difference in mean power (W)"


@pytest.mark.parametrize(
    ("better", "left"), [(Better.HIGHER, "← worse"), (Better.LOWER, "← better")]
)
def test_difference_names_the_sides_by_what_is_better(ax, content, better, left):
    outcome = replace(POWER, better=better)
    draw_difference(ax, replace(content.primary, outcome=outcome))
    assert left in texts(ax)


def test_difference_without_a_margin_draws_no_zone(ax, content):
    draw_difference(ax, replace(content.primary, outcome=replace(POWER, worthwhile=None)))
    assert not [p for p in ax.patches if p.get_label() == "margin"]


def test_periods_show_values_misses_and_swaps(ax):
    rows = (
        PeriodRow(1, 1, 1, "none", "none", values={"power": 300.0}),
        PeriodRow(2, 1, 2, "warmup", "none", values={"power": 305.0}),
        PeriodRow(3, 2, 3, "warmup", None, status=Status.MISSED),
        PeriodRow(4, 2, 4, "none", "none", status=Status.EXCLUDED, values={"power": 250.0}),
    )
    draw_periods(ax, POWER, periods=rows, marks=style.marks_of(PLAN))
    (reference,) = lines(ax, "no warm-up")
    assert list(reference.get_ydata()) == [300.0, 305.0]
    assert list(lines(ax, "a 20 min warm-up")[0].get_xdata()) == []
    (ring,) = lines(ax, "not the planned condition")
    assert list(ring.get_xdata()) == [2]
    crosses = lines(ax, "no usable value") + lines(ax, "_more")
    assert sorted(line.get_xdata()[0] for line in crosses) == [3, 4]
    assert ax.get_ylabel() == "Mean power (W)"


def test_pairs_that_go_against_the_mean_are_dotted(ax):
    marks = style.marks_of(PLAN)
    draw_pairs(ax, POWER, pairs=PAIRS, marks=(marks["none"], marks["warmup"]))
    dotted = [
        line.get_label() for line in ax.lines
        if line.get_label().startswith("_pair") and line.get_linestyle() == "--"
    ]  # fmt: skip
    assert dotted == ["_pair 2"]
    assert [t.get_text() for t in ax.get_xticklabels()] == ["no warm-up", "a 20 min warm-up"]


def test_marks_differ_by_shape_line_and_colour_and_only_the_reference_is_hollow():
    marks = style.marks_of(PLAN)
    assert len({m.marker for m in marks.values()}) == len(marks)
    assert len({m.colour for m in marks.values()}) == len(marks)
    assert len({str(m.line) for m in marks.values()}) == len(marks)
    assert [m.name for m in marks.values() if m.hollow] == ["none"]


def test_curves_lay_single_periods_under_the_means(ax, content):
    curves = content.curves[0]
    draw_curves(ax, curves, marks=style.marks_of(PLAN))
    assert len(lines(ax, "_period")) == len(curves.conditions)
    (bold,) = lines(ax, "no warm-up")
    rows = curves.values[[c == "none" for c in curves.conditions]]
    assert np.allclose(bold.get_ydata(), rows.mean(axis=0))
    assert len(lines(ax, "_mark")) == len(curves.marks)
    assert ax.get_ylabel() == "Heart rate (bpm)"


def test_a_moment_without_data_stays_a_gap(ax, content):
    curves = content.curves[0]
    values = curves.values.copy()
    values[:, 3] = np.nan
    draw_curves(ax, replace(curves, values=values), marks=style.marks_of(PLAN))
    assert np.isnan(lines(ax, "no warm-up")[0].get_ydata()[3])


def test_the_band_lies_around_the_difference(ax, content):
    band = content.curves[0].band
    draw_band(ax, content.curves[0])
    (line,) = lines(ax, "difference")
    assert np.array_equal(line.get_ydata(), band.difference)
    assert [c.get_label() for c in ax.collections] == ["band"]


def test_noise_draws_the_planned_interval_from_its_df(ax, content):
    noise = content.primary.estimate.noise
    draw_noise(ax, noise, outcome=POWER)
    (planned,) = [line for line in ax.lines if line.get_label() == "_planned with"]
    # Chi-square limits for 9 df: factors 0.688 and 1.826 of the typical error (tables of the
    # distribution, three decimals).
    assert planned.get_xdata() / 5.0 == pytest.approx([0.688, 1.826], abs=6e-4)
    assert ax.get_xlim()[0] == 0.0


def test_noise_without_a_plan_draws_one_row(ax):
    seen = Noise(4.0, 6.0, style_interval(2.6, 8.8), 11.0, 4.0, exceeds_noise=True)
    draw_noise(ax, seen, outcome=POWER)
    assert texts(ax) == ["seen in this trial"]


def style_interval(low, high):
    from trialkit.domain.estimates import Interval

    return Interval(low, high)


def test_a_forest_fills_the_strong_row_and_keeps_the_order(ax):
    rows = [ForestRow("planned", 2.0, 1.0, 3.0, strong=True), ForestRow("other", 1.0, -1.0, 3.0)]
    draw_forest(ax, rows, axis="difference (W)", margin=1.5)
    assert texts(ax) == ["planned", "other"]
    strong, other = lines(ax, "planned")[0], lines(ax, "other")[0]
    assert strong.get_ydata()[0] > other.get_ydata()[0]
    assert strong.get_marker() != other.get_marker()
    assert ax.get_xlabel() == "difference (W)"


def test_a_series_draws_own_and_shrunken_effects_and_the_mean(ax):
    rows = [SeriesRow("A", 6.0, 4.0, 1.0, 7.0), SeriesRow("B", -1.0, 1.0, -2.0, 4.0)]
    draw_series(ax, rows, mean=ForestRow("mean of all", 2.5, 0.5, 4.5), axis="difference (W)")
    assert list(lines(ax, "own result")[0].get_xdata()) == [6.0, -1.0]
    assert list(lines(ax, "moved towards the mean")[0].get_xdata()) == [4.0, 1.0]
    assert texts(ax) == ["A", "B", "mean of all"]


def test_the_null_marks_what_the_p_value_counts(ax):
    values = np.array([-3.0, -1.0, -1.0, 1.0, 1.0, 3.0, 0.5, -0.5])
    draw_null(ax, NullDistribution(values, 3.0, 0.25, exact=True), outcome=POWER)
    assert lines(ax, "observed")[0].get_xdata()[0] == 3.0
    shares = {c.get_label(): sum(b.get_height() for b in c) for c in ax.containers}
    assert shares == pytest.approx({"far": 25.0, "near": 75.0})


def test_power_is_in_percent_with_its_monte_carlo_error(ax):
    draw_power(ax, [PowerCurve("helps", (4, 8), (0.4, 0.82), (0.01, 0.01))])
    assert ax.get_ylabel() == "chance (%)"
    container = ax.containers[0]
    assert list(container.lines[0].get_ydata()) == pytest.approx([40.0, 82.0])
    segment = container.lines[2][0].get_segments()[0]
    assert segment[1][1] - segment[0][1] == pytest.approx(2 * 1.96)


def test_agreement_draws_limits_of_agreement(ax):
    draw_agreement(ax, PAIRS, outcome=HEART)
    differences = np.array([10.0, -1.0, 7.0])
    dashed = [*lines(ax, LIMITS_OF_PAIRS), *lines(ax, "_upper")]
    centre, sd = differences.mean(), differences.std(ddof=1)
    ends = [line.get_ydata()[0] for line in dashed]
    assert ends == pytest.approx([centre - 1.96 * sd, centre + 1.96 * sd])
    assert LIMITS_OF_PAIRS in [t.get_text() for t in ax.get_legend().get_texts()]
    assert ax.get_ylabel() == "difference (bpm)"


def test_agreement_of_a_log_outcome_is_in_percent(ax):
    draw_agreement(ax, PAIRS, outcome=replace(HEART, scale=Scale.LOG))
    (points,) = lines(ax, "each pair")
    ratios = np.array([310 / 300, 304 / 305, 309 / 302])
    assert list(points.get_ydata()) == pytest.approx(list(100 * (ratios - 1)))
    (mean,) = lines(ax, "mean difference")
    assert mean.get_ydata()[0] == pytest.approx(100 * (ratios.prod() ** (1 / 3) - 1))
    assert ax.get_ylabel() == "difference (%)"


def test_a_difference_of_percentages_is_in_percentage_points(ax, content):
    draw_band(ax, replace(content.curves[1], unit="%"))
    assert " ".join(ax.get_ylabel().split()) == "difference (percentage points)"


@pytest.mark.parametrize(("count", "ticks"), [(4, [1, 2, 3, 4]), (40, [1, *range(5, 41, 5)])])
def test_periods_are_counted_from_one(ax, count, ticks):
    rows = tuple(PeriodRow(i, 1, i, "none", "none", values={"power": 1.0 * i})
                 for i in range(1, count + 1))  # fmt: skip
    draw_periods(ax, POWER, periods=rows, marks=style.marks_of(PLAN))
    assert list(ax.get_xticks()) == ticks
    assert ax.get_xlim()[0] > 0


def test_ticks_follow_the_decimal_comma(ax, content):
    draw_difference(ax, content.primary, numbers=Numbers(decimal_comma=True))
    formatter = ax.xaxis.get_major_formatter()
    assert formatter(2.5, 0) == "2,5"
    assert formatter(-2.5, 0) == "−2,5"


def contrast(one, other):
    def light(colour):
        channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((light(one), light(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colour", style.COLOURS)
@pytest.mark.parametrize("ground", [style.PAPER, style.ZONE, style.GOOD, style.BAD])
def test_marks_stand_out_from_every_ground(colour, ground):
    # 3:1 is what WCAG 2.2, 1.4.11, asks of graphical objects.
    assert contrast(colour, ground) >= 3.0


def page_colours(scheme):
    """The colour variables of the page's style sheet, light or dark."""
    css = resources.files("trialkit.report").joinpath("templates/style.css").read_text("utf-8")
    light, rest = css.split("@media screen and (prefers-color-scheme: dark) {")
    block = light if scheme == "light" else rest.split("}")[0]
    return dict(re.findall(r"(--[\w-]+): (#[0-9a-f]{6})", block))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_page_colours_are_readable_in_both_schemes(scheme):
    colours = page_colours(scheme)
    grounds = [colours[name] for name in ("--paper", "--card", "--zone", "--good", "--bad")]
    for ground in grounds:
        assert contrast(colours["--ink"], ground) >= 4.5
        for i in range(4):
            assert contrast(colours[f"--c{i}"], ground) >= 3.0
    for ground in grounds[:2]:
        assert contrast(colours["--muted"], ground) >= 4.5
        assert contrast(colours["--link"], ground) >= 4.5
    assert contrast(colours["--mark-ink"], colours["--mark"]) >= 4.5


def test_the_light_page_has_the_colours_the_figures_are_drawn_in():
    colours = page_colours("light")
    assert all(colours[name] == colour for colour, name in VARIABLES.items())


@pytest.mark.parametrize("ground", [style.PAPER, style.ZONE, style.GOOD, style.BAD])
def test_text_is_readable_on_every_ground(ground):
    # 4.5:1 is what WCAG 2.2, 1.4.3, asks of text.
    assert contrast(style.INK, ground) >= 4.5
