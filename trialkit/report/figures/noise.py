"""Noise that was planned with against the noise that was seen."""

from __future__ import annotations

from matplotlib.axes import Axes
from scipy.stats import chi2

from trialkit.domain.estimates import Noise
from trialkit.domain.outcomes import Outcome, Scale
from trialkit.report.figures import style
from trialkit.report.numbers import POINT, Numbers, to_percent
from trialkit.report.words import pictures as words


def draw_noise(ax: Axes, noise: Noise, *, outcome: Outcome, numbers: Numbers = POINT) -> Axes:
    """Draw planned and observed typical error, each with its 95 % interval where it has one."""

    def shown(value: float) -> float:
        return to_percent(value) if outcome.scale is Scale.LOG else value

    rows = [(words.NOISE_SEEN, noise.typical_error, noise.interval.low, noise.interval.high, "D")]
    if noise.planned is not None:
        low, high = _planned_interval(noise.planned, noise.planned_df)
        rows.append((words.NOISE_PLANNED, noise.planned, low, high, "o"))
    for y, (name, value, low, high, marker) in enumerate(rows):
        colour = style.COLOURS[1] if marker == "D" else style.COLOURS[0]
        ax.plot([shown(low), shown(high)], [y, y], color=colour, linewidth=2.0, label=f"_{name}")
        ax.plot(
            [shown(value)],
            [y],
            marker=marker,
            markersize=8.5,
            markerfacecolor=style.PAPER if marker == "o" else colour,
            markeredgecolor=colour,
            markeredgewidth=1.8,
            linestyle="none",
            label=name,
        )
        ax.text(0.0, y + 0.22, name, transform=ax.get_yaxis_transform(), fontsize=style.SMALL)
    ax.set_ylim(-0.5, len(rows) - 0.3)
    ax.set_xlim(left=0.0)
    style.bare(ax, numbers, left=False)
    unit = "%" if outcome.scale is Scale.LOG else outcome.unit
    ax.set_xlabel(style.axis_title(words.TYPICAL_ERROR_AXIS, unit))
    return ax


def _planned_interval(value: float, df: float | None) -> tuple[float, float]:
    # Without degrees of freedom nobody can say how well the planned figure is known.
    if df is None:
        return value, value
    low, high = chi2.ppf((0.975, 0.025), df)
    return value * (df / low) ** 0.5, value * (df / high) ** 0.5
