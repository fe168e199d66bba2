"""Published pooled effects: BCG vaccine, eight schools, precision of a series."""

from __future__ import annotations

import json
from math import inf, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2, norm, t

from trialkit.statistics.quadrature import noncentral_t_cdf
from trialkit.statistics.series import pool_series
from trialkit.statistics.series_model import (
    Effects,
    at_spread,
    refined_mean_se,
    restricted_spread,
    spread_interval,
)

ROOT = Path(__file__).parents[2] / "reference_data"


def check(folder: str, name: str):
    entry = json.loads((ROOT / folder / "checks.json").read_text())[name]
    return entry.get("data", {}), entry["results"]


def test_bcg_vaccine():
    data, want = check("bcg_vaccine", "bcg_random_effects")
    value, variance = np.array(data["yi"]), np.array(data["vi"])
    spread = restricted_spread(value, variance)
    found = at_spread(value, variance, spread)
    # metafor's Fisher scoring stops at a change of 1e-5 in the variance.
    assert spread**2 == pytest.approx(want["reml_tau2"], abs=1e-5)
    assert found.mean == pytest.approx(want["reml_mu"], rel=1e-6)
    assert found.se == pytest.approx(want["reml_se"], rel=1e-6)
    assert found.shrunken[0] == pytest.approx(want["blup_study1"], rel=1e-6)
    assert found.mean - norm.ppf(0.975) * found.prediction_sd == pytest.approx(
        want["reml_pi_low"], rel=1e-6
    )
    refined = refined_mean_se(value, variance, spread)
    assert refined == pytest.approx(want["reml_hk_se"], rel=1e-6)
    assert found.mean - t.ppf(0.975, 12) * refined == pytest.approx(
        want["reml_hk_ci_low"], rel=1e-6
    )


def test_bcg_vaccine_interval_of_the_spread():
    data, want = check("bcg_vaccine", "bcg_random_effects")
    value, variance = np.array(data["yi"]), np.array(data["vi"])
    interval, p = spread_interval(Effects(value, variance, 1.0, inf), 0.95)
    # metafor looks for these ends with a root finder of tolerance 1.2e-4.
    assert interval.low**2 == pytest.approx(want["tau2_qp_ci_low"], abs=1.2e-4)
    assert interval.high**2 == pytest.approx(want["tau2_qp_ci_high"], abs=1.2e-4)
    for end, q in ((interval.low, 0.975), (interval.high, 0.025)):
        w = 1 / (end**2 + variance)
        mean = (w @ value) / w.sum()
        assert w @ (value - mean) ** 2 == pytest.approx(chi2.ppf(q, 12), rel=1e-9)
    assert p == pytest.approx(chi2.sf(want["reml_Q"], 12), rel=1e-6)


def test_eight_schools():
    data, want = check("eight_schools", "eight_schools_shrinkage")
    value, variance = np.array(data["y"], float), np.array(data["se"], float) ** 2
    assert restricted_spread(value, variance) == 0
    common = at_spread(value, variance, 0.0)
    assert common.mean == pytest.approx(want["fixed_mu"], rel=1e-9)
    assert common.se == pytest.approx(want["fixed_se"], rel=1e-9)
    for spread in (5, 10):
        found = at_spread(value, variance, spread)
        assert found.mean == pytest.approx(want[f"mu_tau{spread}"], rel=1e-9)
        assert found.shrunken[0] == pytest.approx(want[f"schoolA_tau{spread}"], rel=1e-9)
    assert found.shrunken[2] == pytest.approx(want["schoolC_tau10"], rel=1e-9)
    interval, _ = spread_interval(Effects(value, variance, 1.0, inf), 0.95)
    assert interval.low == 0


@pytest.mark.parametrize(("athletes", "pairs"), [(12, 3), (20, 3), (10, 6)])
def test_precision_of_a_series(athletes, pairs):
    """Noise SD 2, individual SD 1, mean effect 1.5."""
    _, want = check("series_precision", "series_of_nof1_precision")
    name = f"n{athletes}_k{pairs}"
    value, variance = np.zeros(athletes), np.full(athletes, 2 * 4 / pairs)
    found = at_spread(value, variance, 1.0)
    assert found.se == pytest.approx(want[f"random_se_{name}"], rel=1e-9)
    assert at_spread(value, variance, 0.0).se == pytest.approx(want[f"fixed_se_{name}"], rel=1e-9)
    df, shift = athletes - 1, 1.5 / found.se
    power = 1 - noncentral_t_cdf(t.ppf(0.975, df), df, shift)
    power += noncentral_t_cdf(t.ppf(0.025, df), df, shift)
    assert power == pytest.approx(want[f"random_power_{name}"], rel=1e-8)


@pytest.mark.parametrize("pairs", [3, 4, 6])
def test_shrinkage_of_one_member(pairs):
    _, want = check("series_precision", "series_of_nof1_precision")
    found = at_spread(np.zeros(5), np.full(5, 8 / pairs), 1.0)
    assert sqrt(8 / pairs) == pytest.approx(want[f"individual_se_k{pairs}"], rel=1e-9)
    assert found.weight[0] == pytest.approx(want[f"shrink_weight_k{pairs}"], rel=1e-9)


FOLDER = ROOT / "series_models"
SERIES = json.loads((FOLDER / "data.json").read_text())
FITTED = json.loads((FOLDER / "expected.json").read_text())


@pytest.mark.parametrize("name", [n for n in FITTED if FITTED[n]["sd_individual"] > 1e-6])
def test_series_against_lme4_and_pbkrtest(name):
    found, want = pool_series(SERIES[name]), FITTED[name]
    # lme4 stops when its criterion is flat to about 1e-12: variances are good to about 1e-6.
    assert found.mean.estimate == pytest.approx(want["mean"], rel=2e-6)
    assert found.mean.se == pytest.approx(want["se"], rel=2e-6)
    assert found.mean.df == pytest.approx(want["df"], rel=2e-6)
    assert found.mean.p == pytest.approx(want["p"], rel=2e-5)
    assert found.sd_individual.value == pytest.approx(want["sd_individual"], rel=2e-6)


def test_series_with_no_spread_is_at_the_same_boundary():
    found, want = pool_series(SERIES["alike"]), FITTED["alike"]
    assert want["sd_individual"] < 1e-6
    assert found.sd_individual.value == 0
    assert found.mean.estimate == pytest.approx(want["mean"], rel=1e-9)
