"""Serial correlation against nlme; see reference_data/serial_models/SOURCE.md."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.domain.observations import Observations
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import block_indicators
from trialkit.statistics.serial import SerialDesign, SerialFit, fit_serial

FOLDER = Path(__file__).parents[2] / "reference_data" / "serial_models"
DATA = json.loads((FOLDER / "data.json").read_text())
EXPECTED = json.loads((FOLDER / "expected.json").read_text())
# nlme's own optimiser leaves about 1e-6 in phi; the likelihood is flat there to 1e-11.
REL = 1e-5


def fitted(name: str) -> SerialFit:
    data = DATA[name]
    y, time = np.array(data["value"], dtype=float), np.array(data["time"], dtype=float)
    if name == "ovary":
        X = np.column_stack([np.ones(y.size), data["sine"], data["cosine"]])
        return fit_serial(y, SerialDesign.of(X, time, series=np.array(data["series"])))
    X = np.column_stack([np.ones(y.size), np.array(data["condition"]) == "B"])
    if EXPECTED[name].get("trend"):
        X = np.column_stack([X, time])
    if name == "blocks":
        block = np.array(data["block"])
        return fit_serial(y, SerialDesign.of(X, time, series=block, Z=block_indicators(block)))
    return fit_serial(y, SerialDesign.of(X, time))


@pytest.mark.parametrize("name", list(EXPECTED))
def test_estimates_and_likelihood(name: str) -> None:
    fit, want = fitted(name), EXPECTED[name]
    assert fit.inference.beta == pytest.approx(want["beta"], rel=REL)
    assert np.sqrt(np.diag(fit.inference.phi)) == pytest.approx(want["se"], rel=REL)
    assert fit.phi == pytest.approx(want["phi"], rel=REL)
    assert fit.variance == pytest.approx(want["variance"], rel=REL)
    assert fit.loglik == pytest.approx(want["loglik"], abs=1e-7)
    if "block" in want:
        assert fit.block == pytest.approx(want["block"], rel=REL)


def test_ovary_printed_figures() -> None:
    # Pinheiro & Bates: phi 0.7532, coefficients 12.216, -2.775, -0.900 (from memory).
    fit = fitted("ovary")
    assert round(fit.phi, 4) == 0.7532
    assert [round(b, 3) for b in fit.inference.beta] == [12.216, -2.775, -0.9]
    aic = 2 * (3 + 2) - 2 * fit.loglik
    assert aic == pytest.approx(1571.45451059022, abs=1e-5)


@pytest.mark.parametrize("name", ["even", "days", "days_trend", "gaps"])
def test_through_the_front_door(name: str) -> None:
    data, want = DATA[name], EXPECTED[name]
    obs = Observations(
        np.array(data["value"]),
        np.array(data["condition"]),
        np.array(data["block"]),
        reference="A",
        time=np.array(data["time"], dtype=float),
    )
    result = estimate(obs, options=EstimateOptions(method="serial", trend=want["trend"]))
    assert result.phi == pytest.approx(want["phi"], rel=REL)
    assert result.contrasts[0].estimate == pytest.approx(want["beta"][1], rel=REL)
