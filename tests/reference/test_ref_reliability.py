"""Published reliability figures: peak flow, intraclass correlations, certified variances."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from trialkit.statistics.agreement import limits_of_agreement
from trialkit.statistics.anova import OneWay, one_way, two_way
from trialkit.statistics.bayes import Evidence, posterior
from trialkit.statistics.blinding import blinding_check
from trialkit.statistics.comparison import compare
from trialkit.statistics.intraclass import intraclass_correlations
from trialkit.statistics.multiplicity import holm
from trialkit.statistics.noise import typical_error_interval
from trialkit.statistics.reliability import reliability

ROOT = Path(__file__).parents[2] / "reference_data"
REL = 1e-9  # closed forms in double precision; the files hold 15 digits


def check(folder: str, name: str):
    entry = json.loads((ROOT / folder / "checks.json").read_text())[name]
    return entry.get("data", {}), entry["results"]


def near(value):
    return pytest.approx(value, rel=REL)


def test_peak_flow_limits_of_agreement():
    data, want = check("bland_altman_1986", "bland_altman_1986_pefr_limits")
    d = np.array(data["wright_first"], float) - np.array(data["mini_first"], float)
    paper = limits_of_agreement(d, multiplier=2, exact=False)
    assert (paper.n, paper.bias, paper.sd) == (17, near(want["bias"]), near(want["sd"]))
    assert (paper.low, paper.high) == (near(want["loa_low_2sd"]), near(want["loa_high_2sd"]))
    assert paper.bias_ci.low == near(want["bias_ci95_low"])
    assert paper.bias_ci.high == near(want["bias_ci95_high"])
    assert paper.low_ci.low == near(want["lower_limit_ci_low"])
    assert paper.low_ci.high == near(want["lower_limit_ci_high"])
    assert paper.high_ci.low == near(want["upper_limit_ci_low"])
    assert paper.high_ci.high == near(want["upper_limit_ci_high"])
    usual = limits_of_agreement(d)
    assert (usual.low, usual.high) == (near(want["loa_low_1.96"]), near(want["loa_high_1.96"]))
    # The exact interval reaches further out than in; the approximation of 1986 is symmetric.
    assert usual.high_ci.high - usual.high > usual.high - usual.high_ci.low


def test_peak_flow_repeatability():
    data, want = check("bland_altman_1986", "bland_altman_1986_pefr_repeatability")
    mean_square = 0.0
    for meter in ("wright", "mini"):
        table = np.column_stack((data[f"{meter}_first"], data[f"{meter}_second"])).astype(float)
        within = one_way(list(table)).within_sd
        assert within == near(want[f"{meter}_sw"])
        assert 2 * np.sqrt(2) * within == near(want[f"{meter}_repeatability_2rms"])
        assert reliability(table).typical_error * np.sqrt(2) == near(want[f"{meter}_sd_diff"])
        mean_square += 2 * within**2
    means = [
        np.mean([data[f"{meter}_first"], data[f"{meter}_second"]], axis=0)
        for meter in ("wright", "mini")
    ]
    between = limits_of_agreement(means[0] - means[1])
    assert between.bias == near(want["bias_of_means"])
    assert between.sd == near(want["sd_of_mean_diff"])
    assert np.sqrt(between.sd**2 + mean_square / 4) == near(want["corrected_sd_rms"])


@pytest.mark.parametrize(("prefix", "suffix", "level"), [("", "", 0.95), ("mini_", "_90ci", 0.9)])
def test_typical_error_and_coefficient_of_variation(prefix, suffix, level):
    data, want = check("bland_altman_1986", "typical_error_cv_log_pefr")
    table = np.column_stack((data[f"{prefix}first"], data[f"{prefix}second"])).astype(float)
    found = reliability(table, level=level)

    def expected(name):
        return near(want[f"{prefix}{name}{suffix}"])

    assert found.typical_error == expected("TE")
    assert found.typical_error_ci.low == expected("TE_low")
    assert found.typical_error_ci.high == expected("TE_high")
    assert found.change_in_mean[0].mean == expected("change_in_mean")
    assert found.change_in_mean[0].percent == expected("change_pct")
    assert found.cv_percent == expected("CV_pct")
    assert found.cv_percent_ci.low == expected("CV_low")
    assert found.cv_percent_ci.high == expected("CV_high")


def test_within_subject_sd():
    data, want = check("bland_altman_1996", "bland_altman_1996_within_subject_sd")
    found = one_way(data["rows"])
    assert found.ss_between == near(want["ss_between"])
    assert found.ss_within == near(want["ss_within"])
    assert found.df_within == want["df_within"]
    assert found.f_ratio == near(want["F"])
    assert found.within_sd == near(want["sw"])
    repeatability = compare([0.0], [0.0], typical_error=found.within_sd).mdc95
    assert repeatability == near(want["repeatability_1.96_sqrt2"])
    ci = typical_error_interval(found.within_sd, found.df_within)
    assert (ci.low, ci.high) == (near(want["sw_ci95_low"]), near(want["sw_ci95_high"]))
    icc = intraclass_correlations(two_way(np.array(data["rows"], float)))
    assert icc.icc_1_1.value == near(want["icc_oneway"])


def test_six_intraclass_correlations():
    data, want = check("shrout_fleiss_1979", "shrout_fleiss_1979_icc")
    table = two_way(np.array(data["rows_targets_cols_judges"], float))
    assert table.subjects == near(want["BMS"])
    assert table.trials == near(want["JMS"])
    assert table.error == near(want["EMS"])
    assert table.within == near(want["WMS"])
    icc = intraclass_correlations(table)
    for model in "123":
        for form, short in (("1", ""), ("k", "k")):
            found = getattr(icc, f"icc_{model}_{form}")
            name = f"ICC{model}{short}"
            assert found.value == near(want[name])
            assert found.ci.low == near(want[f"{name}_ci95_low"])
            assert found.ci.high == near(want[f"{name}_ci95_high"])


@pytest.mark.parametrize("df", [5, 9, 10, 19, 20, 29, 49])
@pytest.mark.parametrize("percent", [90, 95])
def test_limits_of_an_sd(df, percent):
    _, want = check("chi_square_sd_limits", "sd_ci_multipliers")
    ci = typical_error_interval(1.0, df, level=percent / 100)
    assert ci.low == near(want[f"df{df}_{percent}_low"])
    assert ci.high == near(want[f"df{df}_{percent}_high"])


def test_handbook_intervals():
    data, want = check("nist_handbook", "nist_handbook_ci")
    mean, sd, n = (data["zarr13"][k] for k in ("mean", "sd", "n"))
    t = posterior(Evidence(mean, 1 / n, sd**2 * (n - 1), n - 1)).interval()
    assert (t.low, t.high) == (near(want["zarr13_low"]), near(want["zarr13_high"]))
    ci = typical_error_interval(data["gear"]["sd"], data["gear"]["n"] - 1)
    assert (ci.low, ci.high) == (near(want["gear_sd_ci95_low"]), near(want["gear_sd_ci95_high"]))


def certified_groups(name: str) -> list[np.ndarray]:
    text = (ROOT / "nist_strd" / f"{name}.dat").read_text()
    first, last = map(int, re.search(r"Data +\(lines (\d+) to (\d+)\)", text).groups())
    rows = np.array([line.split() for line in text.splitlines()[first - 1 : last]], float)
    return [rows[rows[:, 0] == g, 1] for g in np.unique(rows[:, 0])]


@pytest.mark.parametrize(
    # SmLs07 has 13 constant leading digits: what float64 stores of the data is itself rounded.
    ("name", "rel"),
    [("SiRstv", 1e-8), ("SmLs01", 1e-8), ("SmLs07", 1e-3)],
)
def test_certified_analysis_of_variance(name, rel):
    _, want = check("nist_strd", f"nist_anova_{name}")
    found: OneWay = one_way(certified_groups(name))
    assert (found.df_between, found.df_within) == (want["df_between"], want["df_within"])
    assert found.ss_between == pytest.approx(want["ss_between"], rel=rel)
    assert found.ss_within == pytest.approx(want["ss_within"], rel=rel)
    assert found.f_ratio == pytest.approx(want["F"], rel=rel)
    assert found.within_sd == pytest.approx(want["resid_sd"], rel=rel)


@pytest.mark.parametrize(
    ("name", "base", "low", "high", "pairs"),
    [
        ("NumAcc1", 10_000_002.0, 10_000_001.0, 10_000_003.0, 1),
        ("NumAcc2", 1.2, 1.1, 1.3, 500),
        ("NumAcc3", 1_000_000.2, 1_000_000.1, 1_000_000.3, 500),
        ("NumAcc4", 10_000_000.2, 10_000_000.1, 10_000_000.3, 500),
    ],
)
def test_certified_mean_and_sd(name, base, low, high, pairs):
    _, want = check("nist_strd", "nist_numacc_univariate")
    found = limits_of_agreement([base, *([low, high] * pairs)])
    assert found.bias == pytest.approx(want[f"{name}_mean"], rel=1e-13)
    assert found.sd == pytest.approx(want[f"{name}_sd"], rel=1e-8)


def test_change_from_typical_error():
    _, want = check("change_from_typical_error", "change_uncertainty_from_te")
    for k in (1, 2, 4, 6, 8, 12):
        found = compare([0.0] * k, [1.0] * k, typical_error=1.5)
        assert found.se == near(want[f"se_te1.5_k{k}"])
    for sem in (1, 5, 6, 9):
        assert compare([0.0], [1.0], typical_error=sem).mdc95 == near(want[f"mdc95_sem{sem}"])


def test_holm():
    data, want = check("holm_1979", "holm_bh_adjustment")
    assert holm(data["p"]) == pytest.approx([want[f"holm_{k}"] for k in range(1, 6)], rel=REL)


def test_share_of_right_guesses():
    data, want = check("newcombe_1998", "proportion_ci_newcombe")
    found = blinding_check(data["x"], data["n"])
    assert found.share == near(want["p"])
    assert (found.interval.low, found.interval.high) == (
        near(want["wilson_low"]),
        near(want["wilson_high"]),
    )
    assert (found.exact_interval.low, found.exact_interval.high) == (
        near(want["exact_low"]),
        near(want["exact_high"]),
    )
    assert blinding_check(9, 10).p == near(want["guess_9_of_10_p_two"])
    assert blinding_check(9, 10).p_better == near(want["guess_9_of_10_p_one"])
    assert blinding_check(6, 8).p_better == near(want["guess_6_of_8_p_one"])
