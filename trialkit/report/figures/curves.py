"""Curves of the conditions over one channel, and their difference with a simultaneous band."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from trialkit.report.content import ChannelCurves
from trialkit.report.figures import style
from trialkit.report.figures.style import Mark
from trialkit.report.numbers import POINT, Numbers, spelled
from trialkit.report.words import pictures as words


def draw_curves(
    ax: Axes,
    curves: ChannelCurves,
    *,
    marks: Mapping[str, Mark],
    numbers: Numbers = POINT,
) -> Axes:
    """Draw every period's curve thin and each condition's mean bold; 0 s is the effort's start."""
    for name, mark in marks.items():
        mine = curves.values[[c == name for c in curves.conditions]]
        if mine.size == 0:
            continue
        for row in mine:
            ax.plot(
                curves.time_s, row, color=mark.colour, linewidth=0.6, alpha=0.3, label="_period"
            )
        ax.plot(
            curves.time_s,
            _mean(mine),
            color=mark.colour,
            linewidth=2.4,
            linestyle=mark.line,
            label=mark.label,
        )
    style.bare(ax, numbers)
    ax.set_ylabel(
        style.axis_title(words.channel_label(curves.channel), curves.unit, width=style.UPRIGHT)
    )
    _time_axis(ax, curves)
    _round_names(ax, curves)
    style.key(ax)
    return ax


def draw_band(ax: Axes, curves: ChannelCurves, *, numbers: Numbers = POINT) -> Axes:
    """Draw the mean difference between two sets of curves with its simultaneous band."""
    band = curves.band
    if band is None:
        raise ValueError(f"no band for {curves.channel}")
    ax.fill_between(
        curves.time_s, band.low, band.high, color=style.RULE, alpha=0.7, linewidth=0, label="band"
    )
    ax.plot(curves.time_s, band.difference, color=style.INK, linewidth=1.8, label="difference")
    style.zero_line(ax, vertical=False)
    style.bare(ax, numbers)
    ax.set_ylabel(style.axis_title(words.DIFFERENCE, spelled(curves.unit), width=style.UPRIGHT))
    _time_axis(ax, curves)
    return ax


def _mean(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    # A moment at which no period has data stays a gap instead of a warning.
    counts = np.sum(np.isfinite(rows), axis=0)
    total = np.nansum(rows, axis=0)
    return np.where(counts > 0, total / np.maximum(counts, 1), np.nan)


def _time_axis(ax: Axes, curves: ChannelCurves) -> None:
    ax.set_xlim(float(curves.time_s[0]), float(curves.time_s[-1]))
    ax.set_xlabel(words.TIME_AXIS)
    # Seconds are read in halves, whole minutes and multiples of them.
    ax.xaxis.set_major_locator(MaxNLocator(nbins=7, steps=(1, 1.5, 3, 6, 10)))
    ax.axvline(0.0, color=style.INK, linewidth=1.0, linestyle=(0, (2, 2)), label="_start")
    for second, _ in curves.marks:
        ax.axvline(second, color=style.RULE, linewidth=0.8, zorder=0, label="_mark")


def _round_names(ax: Axes, curves: ChannelCurves) -> None:
    for second, text in curves.marks:
        ax.annotate(
            text,
            (second, 0.01),
            xytext=(3, 0),
            xycoords=ax.get_xaxis_transform(),
            textcoords="offset points",
            fontsize=style.SMALL,
            color=style.MUTED,
            va="bottom",
            annotation_clip=True,
        )
