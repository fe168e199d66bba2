"""Pictures of a reliability study: difference against mean, and the mean over the trials."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from trialkit.report.figures import style
from trialkit.report.numbers import POINT, Numbers
from trialkit.statistics.reliability import Reliability

Floats = NDArray[np.float64]


def draw_repeats(ax: Axes, result: Reliability, *, table: Floats, numbers: Numbers = POINT) -> Axes:
    """Draw each subject's change from one trial to the next against the mean of the two.

    Lines at 0 and, for two trials, at the mean change and the 95 % limits of agreement (Bland &
    Altman 1986, Lancet i:307). Points that fan out to the right mean noise that grows with the
    level.
    """
    for place, (first, second) in enumerate(pairwise(table.T)):
        ax.plot(
            (first + second) / 2,
            second - first,
            linestyle="none",
            marker=style.MARKERS[place % len(style.MARKERS)],
            markersize=6,
            color=style.COLOURS[place % len(style.COLOURS)],
            label=f"repeat {place + 1} to {place + 2}",
        )
    if agreement := result.limits_of_agreement:
        ax.axhline(agreement.bias, color=style.INK, linewidth=1.6, label="mean change")
        for end, name in ((agreement.low, "95 % limits"), (agreement.high, "_upper")):
            ax.axhline(end, color=style.MUTED, linewidth=1.2, linestyle=(0, (4, 3)), label=name)
    style.zero_line(ax, vertical=False)
    style.bare(ax, numbers)
    ax.xaxis.set_major_locator(MaxNLocator(nbins=6))
    ax.set_xlabel("Mean of the two repeats")
    ax.set_ylabel("Change")
    style.key(ax)
    return ax


def draw_drift(ax: Axes, result: Reliability, *, numbers: Numbers = POINT) -> Axes:
    """Draw the mean change from each trial to the next with its interval: learning or fatigue."""
    changes = result.change_in_mean
    places = np.arange(len(changes))
    mean = np.array([c.mean for c in changes])
    ends = np.array([[c.mean - c.ci.low, c.ci.high - c.mean] for c in changes]).T
    ax.errorbar(
        places,
        mean,
        yerr=ends,
        fmt=style.MARKERS[0],
        markersize=6,
        color=style.COLOURS[0],
        label=f"mean change, {numbers.level(changes[0].ci.level)} interval",
    )
    style.zero_line(ax, vertical=False)
    style.bare(ax, numbers)
    ax.set_xlim(-0.5, len(changes) - 0.5)
    ax.set_xticks(places, [f"{c.from_trial} to {c.to_trial}" for c in changes])
    ax.set_xlabel("Repeats")
    ax.set_ylabel("Change in mean")
    style.key(ax)
    return ax
