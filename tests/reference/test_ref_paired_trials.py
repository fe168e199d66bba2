"""Paired trials, crossovers and blocks; see reference_data/paired_trials/SOURCE.md."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trialkit.domain.estimates import Verdict
from trialkit.domain.observations import Observations
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import Terms
from trialkit.statistics.mixed import fit_mixed
from trialkit.statistics.mixed_components import fit_components
from trialkit.statistics.paired import fit_fixed_blocks

ROOT = Path(__file__).parents[2] / "reference_data"
CHECKS: dict[str, Any] = json.loads((ROOT / "paired_trials" / "checks.json").read_text())
# Closed forms: both sides carry 15 digits, sums of some ten terms lose one or two.
REL = 1e-10


def sleep() -> Observations:
    data = CHECKS["student_sleep_paired_t"]["data"]
    return Observations(
        np.array(data["drug1"] + data["drug2"]),
        np.repeat(["one", "two"], 10),
        np.tile([f"patient {i}" for i in range(10)], 2),
        reference="one",
        unit="h",
    )


def test_student_sleep() -> None:
    want = CHECKS["student_sleep_paired_t"]["results"]
    result = estimate(sleep())
    (got,) = result.contrasts
    assert (result.method, result.blocks, result.n) == ("paired", 10, 20)
    assert got.estimate == pytest.approx(want["mean_diff"], rel=REL)
    assert got.se == pytest.approx(want["se"], rel=REL)
    assert got.df == want["df"]
    assert got.p == pytest.approx(want["p_two_sided"], rel=1e-9)
    assert got.interval.low == pytest.approx(want["ci95_low"], rel=REL)
    assert got.interval.high == pytest.approx(want["ci95_high"], rel=REL)
    assert result.noise is not None
    assert result.noise.typical_error == pytest.approx(want["typical_error"], rel=REL)


def test_student_sleep_randomisation() -> None:
    want = CHECKS["student_sleep_paired_t"]["results"]
    (got,) = estimate(sleep(), options=EstimateOptions(method="randomisation")).contrasts
    assert got.p == want["p_sign_flip_exact_two_sided"]
    assert got.exact is True


def test_equivalence_on_the_sleep_data() -> None:
    want = CHECKS["tost_paired_sleep"]["results"]
    result = estimate(sleep(), options=EstimateOptions(margin=2.5))
    inner = result.contrasts[0].interval_90
    assert inner is not None
    assert inner.low == pytest.approx(want["ci90_low"], rel=REL)
    assert inner.high == pytest.approx(want["ci90_high"], rel=REL)
    assert result.decision is not None
    # Both one-sided tests reject at 5 %, which is read before "helps, size not settled".
    assert want["p_tost"] < 0.05
    assert result.decision.verdict is Verdict.NO_WORTHWHILE_DIFFERENCE


def crossover(name: str, first: str, second: str) -> Observations:
    """Rows [period 1, period 2] per subject of both sequence groups."""
    data = CHECKS[name]["data"]
    value, condition, block = [], [], []
    for order in ((first, second), (second, first)):
        for i, row in enumerate(data[f"seq_{order[0]}_{order[1]}"]):
            value += row
            condition += list(order)
            block += [f"{order[0]} first {i}"] * 2
    return Observations(
        np.array(value, dtype=float),
        np.array(condition),
        np.array(block),
        reference=second,
        position=np.tile([1.0, 2.0], len(value) // 2),
    )


CROSSOVERS = [
    ("hills_armitage_1979_crossover", "drug", "placebo"),
    ("senn_asthma_pef_crossover", "formoterol", "salbutamol"),
]


@pytest.mark.parametrize(("name", "first", "second"), CROSSOVERS)
def test_crossover_with_and_without_period(name: str, first: str, second: str) -> None:
    want, obs = CHECKS[name]["results"], crossover(name, first, second)
    (adjusted,) = estimate(obs, options=EstimateOptions(period_effect=True)).contrasts
    assert adjusted.estimate == pytest.approx(want["treatment"], rel=REL)
    assert adjusted.se == pytest.approx(want["treatment_se"], rel=REL)
    assert adjusted.df == want["df"]
    assert adjusted.p == pytest.approx(want["p"], rel=1e-8)
    assert adjusted.interval.low == pytest.approx(want["ci95_low"], rel=REL)
    assert adjusted.interval_90 is not None
    assert adjusted.interval_90.high == pytest.approx(want["ci90_high"], rel=REL)
    (plain,) = estimate(obs).contrasts
    assert plain.estimate == pytest.approx(want["paired_mean"], rel=REL)
    assert plain.p == pytest.approx(want["paired_p"], rel=1e-8)
    assert plain.df == want["paired_df"]


@pytest.mark.parametrize(("name", "first", "second"), CROSSOVERS)
def test_crossover_with_carryover_is_the_first_period(name: str, first: str, second: str) -> None:
    # With place and carryover the four cell means are saturated: what is left of the treatment is
    # the difference of the two groups in period 1.
    obs = crossover(name, first, second)
    fit = fit_mixed(obs, Terms(period_effect=True, carryover=True))
    want = CHECKS[name]["results"]["first_period_diff"]
    assert fit.contrast(first, second).estimate == pytest.approx(want, rel=1e-7)


def test_frantic_fingers_blocks() -> None:
    entry = CHECKS["frantic_fingers_blocks"]
    data, want = entry["data"], entry["results"]
    obs = Observations(
        np.array(data["rate"], dtype=float),
        np.array(data["drug"]),
        np.array(data["subject"]),
        reference="Pl",
    )
    F, numerator, denominator = fit_fixed_blocks(obs, Terms()).f_test()
    assert pytest.approx(want["F_drug"], rel=REL) == F
    assert (numerator, denominator) == (2, want["df_error"])
    result = estimate(obs)
    assert result.variance.residual == pytest.approx(want["ms_error"], rel=REL)
    assert [c.condition for c in result.contrasts] == ["Ca", "Th"]
    assert result.contrasts[0].estimate == pytest.approx(17.0, rel=REL)
    assert result.contrasts[0].se == pytest.approx(want["se_diff"], rel=REL)


def test_ergostool_all_pairs() -> None:
    data = json.loads((ROOT / "mixed_models" / "data.json").read_text())["ergostool"]
    want = CHECKS["ergostool_blocks_tukey"]["results"]
    obs = Observations(
        np.array(data["value"], dtype=float),
        np.array(data["condition"]),
        np.array(data["block"]),
        reference="T1",
    )
    result = estimate(obs, options=EstimateOptions(all_pairs=True))
    assert len(result.contrasts) == 6
    for contrast in result.contrasts:
        # The figure comes from an iterative fit, the code under test from a closed form.
        assert contrast.se == pytest.approx(want["se_diff"], rel=1e-7)
        assert contrast.df == want["df"]
    assert result.contrasts[0].estimate == pytest.approx(want["T2_minus_T1"], rel=1e-9)
    fit = fit_fixed_blocks(obs, Terms())
    assert fit.f_test()[0] == pytest.approx(want["F_type"], rel=1e-7)
    for key in ("T1T2", "T1T3", "T1T4", "T2T3", "T3T4"):
        # The range distribution is integrated numerically on both sides, to about 1e-6.
        got = fit.all_pairs_p(key[2:], key[:2])
        assert got == pytest.approx(want[f"tukey_p_{key}"], rel=2e-5, abs=1e-9)
    mixed = fit_mixed(obs, Terms())
    assert mixed.block == pytest.approx(want["sd_subject"] ** 2, rel=1e-5)
    assert mixed.residual == pytest.approx(want["sd_resid"] ** 2, rel=1e-5)


@pytest.mark.parametrize(
    ("name", "tolerance"),
    # SmLs07 has values near 1e12 with effects near 0.1: storing them in 64 bits alone moves F by
    # 4e-5, whatever the code.
    [("SiRstv", 1e-10), ("SmLs01", 1e-12), ("SmLs07", 1e-4)],
)
def test_nist_certified_analysis_of_variance(name: str, tolerance: float) -> None:
    entry = CHECKS[f"nist_anova_{name}"]
    groups, want = entry["data"]["groups"], entry["results"]
    group = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    y = np.concatenate(groups)
    X = np.column_stack([np.ones(y.size), group[:, None] == np.arange(1, len(groups))])
    fit = fit_components(y, X, [np.eye(y.size)])
    F = fit.inference.f_test(np.eye(X.shape[1])[1:])
    assert pytest.approx(want["F"], rel=tolerance) == F.F
    assert F.numerator_df == want["df_between"]
    assert F.denominator_df == pytest.approx(want["df_within"], rel=1e-9)
    assert fit.theta[0] == pytest.approx(want["ms_within"], rel=tolerance)
