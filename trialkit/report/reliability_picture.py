"""The picture of a reliability study: noise against level, and drift over the repeats."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from trialkit.report.figures import style
from trialkit.report.figures.repeatability import draw_drift, draw_repeats
from trialkit.report.svg import Picture, new_figure, write_picture
from trialkit.statistics.reliability import Reliability


def reliability_picture(result: Reliability, table: NDArray[np.float64]) -> Picture:
    """Draw difference against mean above the drift over the trials.

    ``table`` (n, k) holds one row per subject, one column per trial, NaN where one was missed.
    """
    with style.house_style():
        figure = new_figure(6.2)
        above, below = figure.subplots(2, 1, height_ratios=(3, 2))
        draw_repeats(above, result, table=table)
        draw_drift(below, result)
    return Picture("reliability", "Noise of repeats", _finding(result), figure)


def write_reliability_picture(result: Reliability, table: NDArray[np.float64], path: Path) -> Path:
    """Write the picture; the ending of the name (svg, png, pdf) says the format."""
    return write_picture(reliability_picture(result, table), path)


def _finding(result: Reliability) -> str:
    spread = result.spread
    growing = spread is not None and spread.log_recommended
    moved = [c for c in result.change_in_mean if not c.ci.low <= 0 <= c.ci.high]
    drift = ", ".join(f"{c.from_trial} to {c.to_trial}" for c in moved)
    return (
        f"Typical error {result.typical_error:.3g} on {result.df} degrees of freedom. "
        + ("Noise grows with the level. " if growing else "")
        + (f"The mean changes from repeat {drift}." if moved else "No clear change of the mean.")
    )
