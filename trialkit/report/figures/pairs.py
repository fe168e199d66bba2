"""Pairs: the two values of each complete block joined by a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes

from trialkit.domain.outcomes import Outcome, Scale
from trialkit.report.figures import style
from trialkit.report.figures.style import Mark
from trialkit.report.numbers import POINT, Numbers


@dataclass(frozen=True, slots=True)
class Pair:
    """The mean values of a block under the reference and under a condition, in measured units."""

    block: int
    reference: float
    condition: float


def pair_differences(pairs: Sequence[Pair], outcome: Outcome) -> tuple[float, ...]:
    """Condition minus reference of each pair on the scale of the analysis."""
    if outcome.scale is Scale.LOG:
        return tuple(log(p.condition / p.reference) for p in pairs)
    return tuple(p.condition - p.reference for p in pairs)


def draw_pairs(
    ax: Axes,
    outcome: Outcome,
    *,
    pairs: tuple[Pair, ...],
    marks: tuple[Mark, Mark],
    numbers: Numbers = POINT,
) -> Axes:
    """Draw each pair as a line from the reference to the condition, and the means in bold.

    Pairs that go the other way than the mean are dotted, so that they can be counted.
    """
    rising = np.mean([p.condition - p.reference for p in pairs]) >= 0
    for pair in pairs:
        with_mean = (pair.condition - pair.reference >= 0) == rising
        ax.plot(
            [0, 1],
            [pair.reference, pair.condition],
            color=style.MUTED,
            linewidth=1.1,
            linestyle="-" if with_mean else (0, (1, 2)),
            zorder=1,
            label=f"_pair {pair.block}",
        )
    ends = ([p.reference for p in pairs], [p.condition for p in pairs])
    for x, (values, mark) in enumerate(zip(ends, marks, strict=True)):
        _column(ax, x, values, mark=mark)
    ax.set_xlim(-0.45, 1.45)
    style.bare(ax, numbers)
    ax.set_xticks([0, 1], [fill(mark.label, 20) for mark in marks])
    ax.tick_params(axis="x", length=0, labelsize=style.TEXT)
    ax.set_ylabel(style.axis_title(outcome.label, outcome.unit, width=style.UPRIGHT))
    return ax


def _column(ax: Axes, x: int, values: list[float], *, mark: Mark) -> None:
    ax.plot(
        [x] * len(values),
        values,
        linestyle="none",
        marker=mark.marker,
        markersize=7,
        markerfacecolor=mark.face,
        markeredgecolor=mark.colour,
        markeredgewidth=1.8,
        zorder=3,
        label=mark.label,
    )
    outward = -0.3 if x == 0 else 0.3
    mean = float(np.mean(values))
    ax.plot(
        [x + 0.4 * outward, x + outward],
        [mean, mean],
        color=mark.colour,
        linewidth=3.5,
        solid_capstyle="butt",
        zorder=4,
        label=f"_mean {mark.name}",
    )
