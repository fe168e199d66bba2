"""Noise of one athlete from baseline repeats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress, t

from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.baseline import baseline_noise


def test_equals_the_residual_of_a_straight_line():
    rng = np.random.default_rng(1)
    time, values = np.array([0.0, 1, 3, 4, 8, 9]), rng.normal(300, 5, 6)
    found, line = baseline_noise(values, time=time), linregress(time, values)
    residual = values - line.intercept - line.slope * time
    assert found.typical_error == pytest.approx(np.sqrt((residual**2).sum() / 4), rel=1e-9)
    assert found.drift == pytest.approx(line.slope, rel=1e-9)
    half = found.drift_ci.high - found.drift
    assert half == pytest.approx(t.ppf(0.975, 4) * line.stderr, rel=1e-9)


def test_steady_drift_is_no_noise():
    values = np.random.default_rng(2).normal(0, 1, 8)
    plain, drifting = baseline_noise(values), baseline_noise(values + 5 * np.arange(8))
    assert drifting.typical_error == pytest.approx(plain.typical_error, rel=1e-9)
    assert drifting.drift == pytest.approx(plain.drift + 5, rel=1e-9)


def test_interval_covers_the_true_noise():
    rng, trials = np.random.default_rng(3), 1000
    found = [baseline_noise(rng.normal(size=5)).ci for _ in range(trials)]
    covered = np.mean([ci.low <= 1 <= ci.high for ci in found])
    assert abs(covered - 0.95) < 4 * np.sqrt(0.95 * 0.05 / trials)


def test_too_little_is_refused():
    with pytest.raises(UnanswerableError, match="three"):
        baseline_noise([1.0, 2.0])
    with pytest.raises(UnanswerableError, match="different times"):
        baseline_noise([1.0, 2.0, 3.0], time=[4, 4, 4])
    with pytest.raises(RequestError, match="one time"):
        baseline_noise([1.0, 2.0, 3.0], time=[1, 2])
