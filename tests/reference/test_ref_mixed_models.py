"""Mixed models against lme4, lmerTest and pbkrtest; see reference_data/mixed_models/SOURCE.md."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.domain.observations import Observations
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import Terms
from trialkit.statistics.mixed import MixedFit, fit_mixed

FOLDER = Path(__file__).parents[2] / "reference_data" / "mixed_models"
DATA = json.loads((FOLDER / "data.json").read_text())
EXPECTED = json.loads((FOLDER / "expected.json").read_text())
TRIALS = [name for name, figures in EXPECTED.items() if "contrasts" in figures]

# lme4 stops its search when the criterion is flat to about 1e-12, which leaves the variance ratio
# good to about 1e-6; everything here is smooth in it. Satterthwaite df come from a numerical
# second derivative in lmerTest, good to about 1e-7 of the curvature.
REL = 2e-6


def observations(name: str) -> Observations:
    data = DATA[name]
    arrays = {k: np.array(data[k], dtype=float) for k in ("position", "time") if k in data}
    condition = np.array(data["condition"])
    return Observations(
        np.array(data["value"], dtype=float),
        condition,
        np.array(data["block"]),
        reference=min(data["condition"]),
        **arrays,
    )


def terms(name: str) -> Terms:
    formula = EXPECTED[name]["terms"]
    return Terms(period_effect="position" in formula, trend="time" in formula)


def fitted(name: str) -> MixedFit:
    return fit_mixed(observations(name), terms(name))


@pytest.mark.parametrize("name", TRIALS)
def test_variance_parts(name: str) -> None:
    fit, want = fitted(name), EXPECTED[name]
    assert fit.residual == pytest.approx(want["residual"], rel=REL)
    assert fit.block == pytest.approx(want["block"], rel=REL, abs=1e-7 * want["residual"])
    assert fit.at_boundary == (want["block"] == 0)


@pytest.mark.parametrize("name", TRIALS)
def test_kenward_roger_contrasts(name: str) -> None:
    fit, obs = fitted(name), observations(name)
    for condition, want in zip(obs.levels[1:], EXPECTED[name]["contrasts"], strict=True):
        got = fit.contrast(condition, obs.reference)
        assert got.estimate == pytest.approx(want["estimate"], rel=REL, abs=1e-10)
        assert got.se == pytest.approx(want["se"], rel=REL)
        assert got.df == pytest.approx(want["df"], rel=REL)


@pytest.mark.parametrize("name", TRIALS)
def test_satterthwaite_contrasts(name: str) -> None:
    fit, obs = fitted(name), observations(name)
    for condition, want in zip(obs.levels[1:], EXPECTED[name]["contrasts"], strict=True):
        got = fit.contrast(condition, obs.reference, small_sample="satterthwaite")
        assert got.se == pytest.approx(want["se_plain"], rel=REL)
        assert got.df == pytest.approx(want["satterthwaite_df"], rel=1e-5)


@pytest.mark.parametrize("name", [n for n in TRIALS if "f" in EXPECTED[n]])
def test_joint_f_test(name: str) -> None:
    got, want = fitted(name).f_test(), EXPECTED[name]["f"]
    assert pytest.approx(want["F"], rel=REL) == got.F
    assert got.numerator_df == want["ndf"]
    assert got.denominator_df == pytest.approx(want["ddf"], rel=REL)
    assert got.scaling == pytest.approx(want["scaling"], rel=REL)
    assert got.p == pytest.approx(want["p"], rel=1e-5)


@pytest.mark.parametrize("name", TRIALS)
def test_closed_form_equals_matrices(name: str) -> None:
    # Same equations by two routes: only rounding in small well-conditioned matrices differs.
    fit, obs = fitted(name), observations(name)
    matrices = fit.by_matrices()
    for condition in obs.levels[1:]:
        one = fit.contrast(condition, obs.reference)
        other = matrices.contrast(fit.columns.contrast(condition, obs.reference))
        assert one.se == pytest.approx(other.se, rel=1e-9)
        assert one.df == pytest.approx(other.df, rel=1e-8)
        assert one.estimate == pytest.approx(other.estimate, rel=1e-8, abs=1e-10)


@pytest.mark.parametrize("name", TRIALS)
def test_through_the_front_door(name: str) -> None:
    options = EstimateOptions(
        method="mixed", period_effect=terms(name).period_effect, trend=terms(name).trend
    )
    result = estimate(observations(name), options=options)
    for got, want in zip(result.contrasts, EXPECTED[name]["contrasts"], strict=True):
        assert (got.se, got.df) == pytest.approx((want["se"], want["df"]), rel=REL)
