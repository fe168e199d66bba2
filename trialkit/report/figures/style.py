"""The look of every figure: ink, colours and marks of conditions, axes, ticks.

Colours of conditions are those of Okabe and Ito (2008, "Color Universal Design"), told apart
by people with any of the common colour vision deficiencies; every condition also has a mark
and a line of its own, so that a figure survives a grey printer.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from textwrap import fill, shorten
from typing import Any, Final, cast

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter

from trialkit.domain.plans import Plan
from trialkit.report.numbers import Numbers

INK: Final = "#1d2731"
MUTED: Final = "#56626c"
RULE: Final = "#c3cbd2"
PAPER: Final = "#fffffe"
ZONE: Final = "#e6eaee"
GOOD: Final = "#d8ede4"
BAD: Final = "#f6e0d6"
UPRIGHT: Final = 28
"""Characters that fit along a vertical axis."""
COLOURS: Final = ("#0072b2", "#c85500", "#00805d", "#9a4f86")
MARKERS: Final = ("o", "D", "s", "^")
LINES: Final = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)))

WIDTH: Final = 4.3
TEXT: Final = 9.5
SMALL: Final = 8.8

RC: Final[dict[str, Any]] = {
    "font.family": "DejaVu Sans",
    "font.size": TEXT,
    "axes.titlesize": TEXT,
    "axes.labelsize": TEXT,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "legend.fontsize": SMALL,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "svg.fonttype": "none",
    "svg.hashsalt": "trialkit",
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "pdf.fonttype": 42,
}


def house_style() -> AbstractContextManager[None]:
    """The settings under which figures are both drawn and written."""
    # The stubs list every setting's name as a literal; ours is a plain dictionary.
    return mpl.rc_context(cast("Any", RC))


@dataclass(frozen=True, slots=True)
class Mark:
    """How one condition is drawn wherever it appears."""

    name: str
    label: str
    colour: str
    marker: str
    line: Any
    hollow: bool

    @property
    def face(self) -> str:
        """Fill of the mark: the reference is hollow."""
        return PAPER if self.hollow else self.colour


def marks_of(plan: Plan) -> dict[str, Mark]:
    """Give every condition of a plan its mark; the reference always has the first."""
    ordered = [plan.reference, *(c for c in plan.conditions if not c.reference)]
    return {
        c.name: Mark(
            name=c.name,
            label=c.label,
            colour=COLOURS[i % len(COLOURS)],
            marker=MARKERS[i % len(MARKERS)],
            line=LINES[i % len(LINES)],
            hollow=c.reference,
        )
        for i, c in enumerate(ordered)
    }


def bare(ax: Axes, numbers: Numbers, *, left: bool = True) -> Axes:
    """Take the frame away but for the axes that carry a scale, and print ticks in our digits."""
    for side in ("top", "right", *(() if left else ("left",))):
        ax.spines[side].set_visible(False)
    ax.tick_params(length=3, width=0.8)
    if not left:
        ax.tick_params(left=False, labelleft=False)
    tick = FuncFormatter(lambda value, _: numbers.short(round(value, 10)))
    ax.xaxis.set_major_formatter(tick)
    ax.yaxis.set_major_formatter(tick)
    return ax


def axis_title(name: str, unit: str | None, *, width: int = 44) -> str:
    """Name of an axis with its unit in brackets, broken so that it fits along the axis."""
    return fill(f"{name} ({unit})" if unit and unit != "1" else name, width)


def row_name(ax: Axes, y: float, text: str) -> None:
    """Write the name of a row above its mark, cut where the figure ends."""
    ax.text(
        0.0,
        y + 0.24,
        shorten(text, 52, placeholder="…"),
        transform=ax.get_yaxis_transform(),
        fontsize=SMALL,
        va="bottom",
    )


def zero_line(ax: Axes, *, vertical: bool = True) -> None:
    """Draw the line of no difference."""
    draw = ax.axvline if vertical else ax.axhline
    draw(0.0, color=MUTED, linewidth=1.0, zorder=1, gid="zero")


def key(ax: Axes) -> None:
    """Put the key above the axes, where it cannot cover data; long labels get a row each."""
    handles, labels = ax.get_legend_handles_labels()
    columns = 2 if max(map(len, labels), default=0) <= 20 else 1
    ax.legend(
        handles,
        [fill(label, 46) for label in labels],
        loc="lower left",
        bbox_to_anchor=(0.0, 1.01),
        ncols=columns,
        frameon=False,
        borderaxespad=0.0,
        handletextpad=0.5,
        columnspacing=1.4,
        handlelength=2.2,
    )
