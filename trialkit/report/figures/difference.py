"""The first picture: the difference against noise and against the margin that matters."""

from __future__ import annotations

from collections.abc import Callable
from math import isclose, isfinite

from matplotlib.axes import Axes

from trialkit.domain.estimates import Contrast, Estimate, Interval
from trialkit.domain.outcomes import Better
from trialkit.report.content import OutcomeResult
from trialkit.report.figures import style
from trialkit.report.numbers import POINT, Numbers, Printer
from trialkit.report.words import pictures as words

_MEAN, _NOISE, _PAIRS, _FLOOR = 2.0, 1.0, 0.0, -1.05


def draw_difference(
    ax: Axes,
    result: OutcomeResult,
    *,
    pairs: tuple[float, ...] = (),
    numbers: Numbers = POINT,
) -> Axes:
    """Draw the mean difference with its interval, the noise of that mean, and every pair.

    Parameters
    ----------
    result
        An outcome with an estimate.
    pairs
        Condition minus reference of each complete block, on the scale of the analysis, in time
        order.
    """
    estimate = require_estimate(result)
    contrast = result.contrast
    shown = Printer.of(result.outcome, contrast.se, numbers).shown
    drawn = (contrast.interval_90, contrast.interval)
    rows = {_MEAN: words.row_mean([numbers.level(i.level) for i in drawn if i is not None])}
    _draw_mean(ax, contrast, shown)
    if estimate.noise is not None:
        rows[_NOISE] = words.ROW_NOISE
        mdc = estimate.noise.mdc_mean
        _bar(ax, Interval(-mdc, mdc), _NOISE, shown=shown, width=6.0, colour=style.MUTED)
    if pairs:
        rows[_PAIRS] = words.row_pairs(len(pairs), several=len(estimate.contrasts) > 1)
        _draw_pairs(ax, [shown(d) for d in pairs])
    _limits(ax, result.outcome.analysis_margin, shown)
    _zones(ax, result, shown)
    _labels(ax, rows)
    # The line of no difference breaks off around the row names, so that they stay readable.
    for row in rows:
        ax.plot([0, 0], [row - 0.3, row + 0.22], color=style.INK, linewidth=1.0, label="_zero")
    style.bare(ax, numbers, left=False)
    unit = Printer.of(result.outcome, contrast.se, numbers).axis_unit
    ax.set_xlabel(style.axis_title(words.difference_axis(result.outcome.label), unit))
    return ax


def require_estimate(result: OutcomeResult) -> Estimate:
    """The estimate of a result; a figure of an absent estimate is a programming fault."""
    if result.estimate is None:
        raise ValueError(f"no estimate of {result.outcome.name} to draw")
    return result.estimate


def _bar(
    ax: Axes,
    interval: Interval,
    row: float,
    *,
    shown: Callable[[float], float],
    width: float,
    colour: str,
) -> None:
    if isfinite(interval.low) and isfinite(interval.high):
        ends = [shown(interval.low), shown(interval.high)]
        ax.plot(ends, [row, row], color=colour, linewidth=width, solid_capstyle="butt")


def _draw_mean(ax: Axes, contrast: Contrast, shown: Callable[[float], float]) -> None:
    for interval, width in ((contrast.interval, 1.8), (contrast.interval_90, 6.0)):
        if interval is not None:
            _bar(ax, interval, _MEAN, shown=shown, width=width, colour=style.COLOURS[1])
    ax.plot(
        [shown(contrast.estimate)],
        [_MEAN],
        marker="D",
        markersize=9.5,
        color=style.COLOURS[1],
        markeredgecolor=style.PAPER,
        markeredgewidth=1.3,
        linestyle="none",
        zorder=5,
        label="mean",
    )


def _draw_pairs(ax: Axes, differences: list[float]) -> None:
    # Equal differences hang below each other, so that every pair can be counted.
    before = [sum(isclose(d, e) for e in differences[:i]) for i, d in enumerate(differences)]
    step = 0.5 / max(2, *before) if max(before) else 0.0
    ax.plot(
        differences,
        [_PAIRS - step * count for count in before],
        marker="|",
        linestyle="none",
        color=style.INK,
        markersize=6 if max(before) else 12,
        markeredgewidth=1.5,
        label="pairs",
    )


def _limits(ax: Axes, margin: float | None, shown: Callable[[float], float]) -> None:
    low, high = ax.get_xlim()
    reach = 0.0 if margin is None else 1.35 * abs(shown(margin))
    ax.set_xlim(min(low, -reach), max(high, reach))
    ax.set_ylim(-0.6, 2.95)


def _zones(ax: Axes, result: OutcomeResult, shown: Callable[[float], float]) -> None:
    low, high = ax.get_xlim()
    better_right = result.outcome.better is Better.HIGHER
    margin = result.outcome.analysis_margin
    if margin is not None:
        left, right = shown(-margin), shown(margin)
        ax.axvspan(low, left, color=style.BAD if better_right else style.GOOD, zorder=0, lw=0)
        ax.axvspan(right, high, color=style.GOOD if better_right else style.BAD, zorder=0, lw=0)
        ax.axvspan(left, right, color=style.ZONE, zorder=0, lw=0, label="margin")
        if (right - left) / (high - low) > 0.24:
            ax.set_ylim(bottom=_FLOOR)
            # Inside the zone, below the last row: above the axes it could meet the side names.
            ax.text(
                0.5 * (left + right), _FLOOR + 0.06, words.TOO_SMALL,
                ha="center", va="bottom", fontsize=style.SMALL, linespacing=1.0,
            )  # fmt: skip
    ax.set_xlim(low, high)
    left_name, right_name = words.zone_names(better_right)
    _above(ax, 0.0, left_name, "left")
    _above(ax, 1.0, right_name, "right")


def _above(ax: Axes, x: float, text: str, align: str) -> None:
    ax.text(x, 1.02, text, transform=ax.transAxes, ha=align, va="bottom", fontsize=style.SMALL)


def _labels(ax: Axes, rows: dict[float, str]) -> None:
    for row, text in rows.items():
        ax.text(
            0.015,
            row + 0.28,
            text,
            transform=ax.get_yaxis_transform(),
            va="bottom",
            fontsize=style.SMALL,
        )
