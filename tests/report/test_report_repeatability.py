"""Pictures of a reliability study, read from what was drawn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from trialkit.report.figures.repeatability import draw_drift, draw_repeats
from trialkit.report.reliability_picture import reliability_picture, write_reliability_picture
from trialkit.statistics.reliability import reliability


def table(subjects: int = 9, trials: int = 2, shift: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(5)
    level = rng.normal(300, 40, (subjects, 1))
    return level + rng.normal(0, 5, (subjects, trials)) + shift * np.arange(trials)


def test_changes_stand_over_their_means_with_the_limits() -> None:
    two = table()
    result = reliability(two)
    ax = draw_repeats(Figure().add_subplot(), result, table=two)
    (points,) = (line for line in ax.lines if line.get_label() == "repeat 1 to 2")
    assert np.allclose(points.get_xdata(), two.mean(axis=1))
    assert np.allclose(points.get_ydata(), two[:, 1] - two[:, 0])
    drawn = {str(line.get_label()): float(np.ravel(line.get_ydata())[0]) for line in ax.lines}
    agreement = result.limits_of_agreement
    assert agreement is not None
    assert drawn["mean change"] == pytest.approx(agreement.bias)
    assert (drawn["95 % limits"], drawn["_upper"]) == pytest.approx((agreement.low, agreement.high))


def test_three_trials_have_two_changes_and_no_limits() -> None:
    three = table(trials=3)
    ax = draw_repeats(Figure().add_subplot(), reliability(three), table=three)
    labels = [line.get_label() for line in ax.lines]
    assert [label for label in labels if str(label).startswith("repeat")] == [
        "repeat 1 to 2",
        "repeat 2 to 3",
    ]
    assert "95 % limits" not in labels


def test_drift_shows_every_step_with_its_interval() -> None:
    result = reliability(table(trials=4, shift=6.0))
    ax = draw_drift(Figure().add_subplot(), result)
    assert np.allclose(ax.lines[0].get_ydata(), [c.mean for c in result.change_in_mean])
    (bars,) = (c for c in ax.collections if isinstance(c, LineCollection))
    ends = [(segment[0][1], segment[1][1]) for segment in bars.get_segments()]
    assert np.allclose(ends, [(c.ci.low, c.ci.high) for c in result.change_in_mean])
    assert [t.get_text() for t in ax.get_xticklabels()] == ["1 to 2", "2 to 3", "3 to 4"]


def test_the_finding_tells_drift_where_there_is_one(tmp_path: Path) -> None:
    drifting, calm = table(shift=30.0), table()
    assert (
        "changes from repeat 1 to 2" in reliability_picture(reliability(drifting), drifting).finding
    )
    assert "No clear change" in reliability_picture(reliability(calm), calm).finding
    for ending in ("svg", "png", "pdf"):
        path = write_reliability_picture(reliability(calm), calm, tmp_path / f"noise.{ending}")
        assert path.stat().st_size > 1000
