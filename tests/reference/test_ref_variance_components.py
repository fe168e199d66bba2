"""Several random effects against pbkrtest; see reference_data/mixed_models/SOURCE.md."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from trialkit.domain.observations import Observations
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import Terms
from trialkit.statistics.mixed import fit_mixed
from trialkit.statistics.mixed_components import fit_components, group_pattern, slope_patterns

FOLDER = Path(__file__).parents[2] / "reference_data" / "mixed_models"
DATA = json.loads((FOLDER / "data.json").read_text())
EXPECTED = json.loads((FOLDER / "expected.json").read_text())
# lme4 stops where its criterion is flat; with two and more variance ratios that leaves about 1e-6.
REL = 1e-5


def indicators(labels: list[str]) -> NDArray[np.float64]:
    levels = sorted(set(labels))
    return np.array([[label == level for level in levels[1:]] for label in labels], dtype=float)


def test_sleepstudy_random_intercept_and_slope() -> None:
    data, want = DATA["sleepstudy"], EXPECTED["sleepstudy"]
    y, days = np.array(data["value"]), np.array(data["days"], dtype=float)
    patterns = [*slope_patterns(np.array(data["subject"]), days), np.eye(y.size)]
    fit = fit_components(y, np.column_stack([np.ones(y.size), days]), patterns, free=(1,))
    assert fit.theta == pytest.approx(want["theta"], rel=REL)
    assert fit.criterion == pytest.approx(want["reml_criterion"], rel=1e-10)
    for i in range(2):
        got = fit.contrast(np.eye(2)[i])
        assert got.estimate == pytest.approx(want["beta"][i], rel=1e-9)
        assert got.se == pytest.approx(want["se"][i], rel=REL)
        assert got.df == pytest.approx(want["df"][i], rel=REL)
    # Bates et al. 2015 print 10.467 (1.546); Kenward-Roger gives 17 df.
    slope = fit.contrast(np.eye(2)[1])
    assert (round(slope.estimate, 3), round(slope.se, 3)) == (10.467, 1.546)


def test_machines_with_interaction() -> None:
    data, want = DATA["machines"], EXPECTED["machines"]
    y, worker = np.array(data["value"]), np.array(data["block"])
    X = np.column_stack([np.ones(y.size), indicators(data["condition"])])
    patterns = [
        group_pattern(worker),
        group_pattern(worker, np.array(data["condition"])),
        np.eye(y.size),
    ]
    fit = fit_components(y, X, patterns)
    parts = [want["worker"], want["interaction"], want["residual"]]
    assert fit.theta == pytest.approx(parts, rel=REL)
    for i in range(3):
        got = fit.contrast(np.eye(3)[i])
        assert (got.estimate, got.se, got.df) == pytest.approx(
            (want["beta"][i], want["se"][i], want["df"][i]), rel=REL
        )
    F = fit.inference.f_test(np.eye(3)[1:])
    assert pytest.approx(want["F"], rel=REL) == F.F
    assert F.denominator_df == pytest.approx(want["ddf"], rel=REL)


def test_beets_f_tests() -> None:
    data, want = DATA["beets"], EXPECTED["beets"]
    y = np.array(data["sugpct"])
    block, sow, harvest = (data[k] for k in ("block", "sow", "harvest"))
    X = np.column_stack([np.ones(y.size), indicators(block), indicators(sow), indicators(harvest)])
    patterns = [group_pattern(np.array(block), np.array(harvest)), np.eye(y.size)]
    fit = fit_components(y, X, patterns)
    rows = np.eye(X.shape[1])
    for name, L in (("sow", rows[3:7]), ("harvest", rows[7:8])):
        got = fit.inference.f_test(L)
        assert pytest.approx(want[name]["F"], rel=REL) == got.F
        assert got.denominator_df == pytest.approx(want[name]["ddf"], rel=REL)
        assert got.p == pytest.approx(want[name]["p"], rel=1e-4)
    # Halekoh & Hojsgaard 2014 print 15.21 on 2 df with p = 0.0599, and 101 on 20 df.
    assert round(fit.inference.f_test(rows[7:8]).F, 2) == 15.21


def repeats() -> Observations:
    data = DATA["repeats"]
    return Observations(
        np.array(data["value"]),
        np.array(data["condition"]),
        np.array(data["block"]),
        reference="A",
        position=np.array(data["position"], dtype=float),
        time=np.array(data["time"], dtype=float),
    )


def test_several_measurements_in_a_period() -> None:
    want = EXPECTED["repeats"]
    fit = fit_mixed(repeats(), Terms())
    got = fit.contrast("B", "A")
    assert fit.block == pytest.approx(want["block"], rel=REL)
    assert fit.residual == pytest.approx(want["period"] + want["residual"], rel=REL)
    assert (got.estimate, got.se, got.df) == pytest.approx(
        (want["estimate"], want["se"], want["df"]), rel=REL
    )
    (front,) = estimate(repeats(), options=EstimateOptions(method="mixed")).contrasts
    assert front.df == got.df


def test_shoes_tutorial_figures() -> None:
    # Deleting (boy 1, A) and (boy 2, B): estimate .34605, KR SE .141399, df 7.0219, p .04418.
    data = DATA["shoes_missing"]
    obs = Observations(
        np.array(data["value"]), np.array(data["condition"]), np.array(data["block"]), "A"
    )
    result = estimate(obs)
    (got,) = result.contrasts
    assert result.method == "mixed"
    assert got.p is not None
    assert round(got.p, 5) == 0.04418
    assert result.variance.block == pytest.approx(6.29934, abs=5e-6)
