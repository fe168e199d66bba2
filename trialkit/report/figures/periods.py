"""Every period in time order: what was measured, under which condition, and what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from matplotlib.axes import Axes

from trialkit.domain.outcomes import Outcome
from trialkit.report.content import PeriodRow
from trialkit.report.figures import style
from trialkit.report.figures.style import Mark
from trialkit.report.numbers import POINT, Numbers
from trialkit.report.words import pictures as words

_MOST_TICKS: Final = 9


def draw_periods(
    ax: Axes,
    outcome: Outcome,
    *,
    periods: tuple[PeriodRow, ...],
    marks: Mapping[str, Mark],
    numbers: Numbers = POINT,
) -> Axes:
    """Draw the measured values of all trial periods in time order, blocks set apart.

    A period without a usable value is a cross on the floor of the figure, in the colour of the
    condition that was planned; a period held under another condition than planned is ringed.
    """
    _blocks(ax, periods)
    held = [p for p in periods if p.value(outcome.name) is not None]
    ax.plot(
        [p.number for p in held],
        _values(held, outcome),
        color=style.RULE,
        linewidth=1.0,
        zorder=1,
        label="_path",
    )
    for name, mark in marks.items():
        mine = [p for p in held if (p.delivered_condition or p.planned_condition) == name]
        _points(ax, mine, outcome, mark=mark)
    _swapped(
        ax, [p for p in held if p.delivered_condition not in (None, p.planned_condition)], outcome
    )
    _missing(ax, [p for p in periods if p.value(outcome.name) is None], marks)
    style.bare(ax, numbers)
    _period_ticks(ax, len(periods))
    ax.set_xlabel(words.PERIOD_AXIS)
    ax.set_ylabel(style.axis_title(outcome.label, outcome.unit, width=style.UPRIGHT))
    style.key(ax)
    return ax


def _period_ticks(ax: Axes, count: int) -> None:
    """Count from the first period on: there is no period 0."""
    step = next(s for s in (1, 2, 3, 5, 10, 20, 50, count + 1) if count / s <= _MOST_TICKS)
    ax.set_xticks([1, *range(max(step, 2), count + 1, step)])
    ax.set_xlim(0.4, count + 0.6)


def _blocks(ax: Axes, periods: tuple[PeriodRow, ...]) -> None:
    spans: dict[int, list[int]] = {}
    for period in periods:
        spans.setdefault(period.block, []).append(period.number)
    for i, numbers in enumerate(spans.values()):
        if i % 2 == 0:
            ax.axvspan(min(numbers) - 0.5, max(numbers) + 0.5, color=style.ZONE, lw=0, zorder=0)


def _values(periods: list[PeriodRow], outcome: Outcome) -> list[float]:
    return [v for p in periods if (v := p.value(outcome.name)) is not None]


def _points(ax: Axes, periods: list[PeriodRow], outcome: Outcome, *, mark: Mark) -> None:
    small = len(periods) > 20
    ax.plot(
        [p.number for p in periods],
        _values(periods, outcome),
        linestyle="none",
        marker=mark.marker,
        markersize=5.0 if small else 7.5,
        markerfacecolor=mark.face,
        markeredgecolor=mark.colour,
        markeredgewidth=1.8,
        zorder=3,
        label=mark.label,
    )


def _swapped(ax: Axes, periods: list[PeriodRow], outcome: Outcome) -> None:
    if periods:
        ax.plot(
            [p.number for p in periods],
            _values(periods, outcome),
            linestyle="none",
            marker="o",
            markersize=14,
            markerfacecolor="none",
            markeredgecolor=style.INK,
            markeredgewidth=1.0,
            label=words.NOT_AS_PLANNED,
        )


def _missing(ax: Axes, periods: list[PeriodRow], marks: Mapping[str, Mark]) -> None:
    for i, period in enumerate(periods):
        mark = marks.get(period.planned_condition)
        ax.plot(
            [period.number],
            [0.03],
            transform=ax.get_xaxis_transform(),
            linestyle="none",
            marker="x",
            markersize=7,
            markeredgewidth=2.0,
            color=style.MUTED if mark is None else mark.colour,
            clip_on=False,
            label=words.MISSING if i == 0 else "_more",
        )
