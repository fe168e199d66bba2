"""The null distribution of a randomisation test, power curves, and difference against mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from trialkit.domain.outcomes import Outcome
from trialkit.report.content import NullDistribution
from trialkit.report.figures import style
from trialkit.report.figures.pairs import Pair, pair_differences
from trialkit.report.numbers import POINT, Numbers, Printer
from trialkit.report.words import pictures as words


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """Chance of an outcome of the trial by number of blocks, with Monte-Carlo standard errors."""

    label: str
    blocks: tuple[int, ...]
    chance: tuple[float, ...]
    mc_error: tuple[float, ...]


def draw_null(
    ax: Axes, null: NullDistribution, *, outcome: Outcome, numbers: Numbers = POINT
) -> Axes:
    """Draw the differences chance alone would give in this design, and where the trial's lies."""
    printer = Printer.of(outcome, None, numbers)
    values = np.array([printer.shown(v) for v in null.values])
    observed = printer.shown(null.observed)
    edges = np.histogram_bin_edges(values, bins=min(41, max(9, 2 * int(np.sqrt(values.size)) + 1)))
    # Orders at least as far from zero as the trial's own are what the p value counts, and it
    # counts on the scale of the analysis: +4.2 % and -4.0 % are equally far apart as logs.
    far = np.abs(null.values) >= abs(null.observed) * (1 - 1e-9)
    floor = np.zeros(edges.size - 1)
    for part, colour, name in ((far, style.COLOURS[0], "far"), (~far, style.RULE, "near")):
        shares = 100.0 * np.histogram(values[part], bins=edges)[0] / values.size
        ax.bar(
            edges[:-1],
            shares,
            width=np.diff(edges),
            bottom=floor,
            align="edge",
            color=colour,
            linewidth=0,
            label=name,
        )
        floor += shares
    ax.axvline(observed, color=style.COLOURS[1], linewidth=2.2, label="observed")
    ax.plot(
        [observed],
        [1.0],
        transform=ax.get_xaxis_transform(),
        marker="v",
        color=style.COLOURS[1],
        markersize=8,
        clip_on=False,
        label="_observed mark",
    )
    style.bare(ax, numbers)
    ax.set_xlabel(style.axis_title(words.difference_axis(outcome.label), printer.axis_unit))
    ax.set_ylabel(words.SHARE_OF_ORDERS)
    return ax


def draw_power(ax: Axes, curves: Sequence[PowerCurve], *, numbers: Numbers = POINT) -> Axes:
    """Draw the chance of each outcome of a trial against its number of blocks."""
    for i, curve in enumerate(curves):
        percent = [100.0 * c for c in curve.chance]
        ax.errorbar(
            curve.blocks,
            percent,
            yerr=[196.0 * e for e in curve.mc_error],
            color=style.COLOURS[i % len(style.COLOURS)],
            marker=style.MARKERS[i % len(style.MARKERS)],
            linestyle=style.LINES[i % len(style.LINES)],
            markersize=6,
            linewidth=1.6,
            capsize=2,
            label=curve.label,
        )
    ax.axhline(80.0, color=style.RULE, linewidth=1.0, zorder=0, label="_80")
    ax.set_ylim(0, 102)
    style.bare(ax, numbers)
    ax.set_xlabel(words.BLOCKS_AXIS)
    ax.set_ylabel(words.CHANCE_AXIS)
    style.key(ax)
    return ax


def draw_agreement(
    ax: Axes, pairs: Sequence[Pair], *, outcome: Outcome, numbers: Numbers = POINT
) -> Axes:
    """Draw each pair's difference against its mean, with the mean difference and 95 % limits.

    Limits of agreement are mean ± 1.96 SD (Bland & Altman 1986, Lancet 327:307-310), on the scale
    of the analysis: those of a log outcome are drawn in percent.
    """
    printer = Printer.of(outcome, None, numbers)
    means = np.array([0.5 * (p.reference + p.condition) for p in pairs])
    differences = np.array(pair_differences(pairs, outcome))
    ax.plot(
        means,
        [printer.shown(d) for d in differences],
        linestyle="none",
        marker="D",
        markersize=6.5,
        color=style.COLOURS[1],
        label=words.EACH_PAIR,
    )
    centre = float(np.mean(differences))
    ax.axhline(printer.shown(centre), color=style.INK, linewidth=1.6, label=words.MEAN_DIFFERENCE)
    if differences.size > 1:
        reach = 1.96 * float(np.std(differences, ddof=1))
        for end, name in ((centre - reach, words.LIMITS_OF_PAIRS), (centre + reach, "_upper")):
            ax.axhline(
                printer.shown(end),
                color=style.MUTED,
                linewidth=1.2,
                linestyle=(0, (4, 3)),
                label=name,
            )
    style.zero_line(ax, vertical=False)
    style.bare(ax, numbers)
    ax.xaxis.set_major_locator(MaxNLocator(nbins=6))
    ax.set_xlabel(style.axis_title(words.pair_mean_axis(outcome.label), outcome.unit))
    ax.set_ylabel(style.axis_title(words.DIFFERENCE, printer.axis_unit, width=style.UPRIGHT))
    style.key(ax)
    return ax
