"""Forests: the primary answer by several methods, several outcomes, several athletes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes

from trialkit.report.figures import style
from trialkit.report.numbers import POINT, Numbers
from trialkit.report.words import pictures as words


@dataclass(frozen=True, slots=True)
class ForestRow:
    """One line of a forest, in the unit of the axis, with the two ends of its interval."""

    label: str
    estimate: float
    low: float
    high: float
    strong: bool = False


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """One athlete of a series: own result and the one shrunken towards the mean of all."""

    athlete: str
    raw: float
    shrunken: float
    low: float
    high: float


def draw_forest(
    ax: Axes,
    rows: Sequence[ForestRow],
    *,
    axis: str,
    margin: float | None = None,
    numbers: Numbers = POINT,
) -> Axes:
    """Draw one estimate with its interval per row, first row on top, the margin shaded.

    Rows marked ``strong`` (the planned method, the primary outcome) are filled diamonds, the
    others hollow circles.
    """
    for i, row in enumerate(rows):
        y = len(rows) - 1 - i
        colour = style.COLOURS[1] if row.strong else style.MUTED
        ax.plot([row.low, row.high], [y, y], color=colour, linewidth=2.0, label=f"_{row.label}")
        ax.plot(
            [row.estimate],
            [y],
            linestyle="none",
            marker="D" if row.strong else "o",
            markersize=8 if row.strong else 7,
            markerfacecolor=colour if row.strong else style.PAPER,
            markeredgecolor=colour,
            markeredgewidth=1.8,
            label=row.label,
        )
        style.row_name(ax, y, row.label)
    _frame(ax, len(rows), axis=axis, margin=margin, numbers=numbers)
    return ax


def draw_series(
    ax: Axes,
    rows: Sequence[SeriesRow],
    *,
    mean: ForestRow,
    axis: str,
    margin: float | None = None,
    numbers: Numbers = POINT,
) -> Axes:
    """Draw every athlete's own and shrunken effect, joined, over the mean of the series."""
    total = len(rows)
    for i, row in enumerate(rows):
        y = total - i
        ax.plot([row.low, row.high], [y, y], color=style.COLOURS[0], linewidth=2.0, label="_ci")
        ax.plot([row.raw, row.shrunken], [y, y], color=style.INK, linewidth=0.8, label="_shrink")
        style.row_name(ax, y, row.athlete)
    ys = [total - i for i in range(total)]
    for values, marker, face, name in (
        ([r.raw for r in rows], "x", style.MUTED, words.OWN_RESULT),
        ([r.shrunken for r in rows], "o", style.PAPER, words.SHRUNKEN),
    ):
        edge = style.INK if marker == "x" else style.COLOURS[0]
        ax.plot(
            values,
            ys,
            linestyle="none",
            marker=marker,
            markersize=7,
            markerfacecolor=face,
            markeredgecolor=edge,
            markeredgewidth=1.8,
            label=name,
        )
    ax.fill(
        [mean.low, mean.estimate, mean.high, mean.estimate],
        [0, 0.22, 0, -0.22],
        color=style.COLOURS[1],
        label=mean.label,
    )
    style.row_name(ax, 0, mean.label)
    _frame(ax, total + 1, axis=axis, margin=margin, numbers=numbers)
    style.key(ax)
    return ax


def _frame(ax: Axes, n_rows: int, *, axis: str, margin: float | None, numbers: Numbers) -> None:
    if margin is not None:
        ax.axvspan(
            -margin,
            margin,
            color=style.ZONE,
            lw=0,
            zorder=0,
            label=words.TOO_SMALL.replace("\n", " "),
        )
    # The line of no difference breaks off around the row names, so that they stay readable.
    for row in range(n_rows):
        ax.plot([0, 0], [row - 0.3, row + 0.18], color=style.INK, linewidth=1.0, label="_zero")
    style.bare(ax, numbers, left=False)
    ax.set_ylim(-0.6, n_rows - 0.15)
    ax.set_xlabel(axis)
