"""Precision of a series; see reference_data/series_precision/SOURCE.md."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from trialkit.planning.grids import SimulationSettings
from trialkit.planning.series import SeriesTruth, series_precision
from trialkit.planning.series_grid import simulate_series

FOLDER = Path(__file__).parents[2] / "reference_data" / "series_precision"
CHECK = json.loads((FOLDER / "checks.json").read_text("utf-8"))["series_of_nof1_precision"]
EXPECTED, REL = CHECK["results"], CHECK["tolerance"]
# sigma = 2, psi = 1, delta = 1.5: the inputs of the computed figures
TRUTH = SeriesTruth(effect=1.5, individual_sd=1.0, noise=2.0)
FIELDS = {
    "random_se": "se_mean",
    "random_power": "power_mean",
    "fixed_se": "se_these",
    "individual_se": "se_individual",
    "shrink_weight": "shrinkage",
}


@pytest.mark.parametrize("key", EXPECTED)
def test_closed_form(key: str) -> None:
    name, athletes, pairs = re.fullmatch(r"(\w+?)(?:_n(\d+))?_k(\d+)", key).groups()
    planned = series_precision(int(athletes or 12), int(pairs), TRUTH)
    assert getattr(planned, FIELDS[name]) == pytest.approx(EXPECTED[key], rel=REL)


@pytest.mark.parametrize(("athletes", "pairs"), [(12, 3), (20, 3), (10, 6)])
def test_simulated_power(athletes: int, pairs: int) -> None:
    settings = SimulationSettings(replicates=10_000, seed=2)
    simulated = simulate_series(athletes, pairs, TRUTH, settings=settings)
    wanted = EXPECTED[f"random_power_n{athletes}_k{pairs}"]
    assert abs(simulated.power_mean - wanted) < 4 * simulated.mc_error
