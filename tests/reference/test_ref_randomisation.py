"""Published randomisation tests: Student's sleep data, Darwin's maize, tomato fertilisers."""

from __future__ import annotations

import json
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from trialkit.domain.observations import Observations
from trialkit.statistics.bayes import Evidence, posterior
from trialkit.statistics.randomisation import replay_test, sign_flip_test
from trialkit.statistics.reliability import reliability

ROOT = Path(__file__).parents[2] / "reference_data"
REL = 1e-9  # closed forms in double precision; the files hold 15 digits


def check(folder: str, name: str):
    entry = json.loads((ROOT / folder / "checks.json").read_text())[name]
    return entry["data"], entry["results"]


def test_student_sleep():
    data, want = check("student_1908_sleep", "student_sleep_paired_t")
    first, second = np.array(data["drug1"]), np.array(data["drug2"])
    flips = sign_flip_test(second - first)
    assert flips.p == want["p_sign_flip_exact_two_sided"]
    assert flips.statistic == pytest.approx(want["mean_diff"], rel=REL)
    t = posterior(Evidence.from_differences(second - first))
    assert t.df == want["df"]
    assert t.scale == pytest.approx(want["se"], rel=REL)
    assert t.mean / t.scale == pytest.approx(want["t"], rel=REL)
    assert 2 * t.chance_below(0.0) == pytest.approx(want["p_two_sided"], rel=REL)
    assert t.interval().low == pytest.approx(want["ci95_low"], rel=REL)
    assert t.interval().high == pytest.approx(want["ci95_high"], rel=REL)
    noise = reliability(np.column_stack((first, second)))
    assert noise.typical_error == pytest.approx(want["typical_error"], rel=REL)


def test_darwin_maize():
    data, want = check("fisher_1935_maize", "darwin_maize_exact_randomisation")
    d = np.array(data["diff_eighths_inch"], dtype=float)
    flips = sign_flip_test(d)
    assert flips.n_sequences == want["total_arrangements"]
    assert flips.p * flips.n_sequences == 2 * want["n_ge_observed"]
    assert flips.p == want["p_two_sided"]
    # All 32768 sums are not kept; those of 14 pairs and fewer are.
    assert not flips.null_complete
    t = posterior(Evidence.from_differences(d))
    assert t.interval().low == pytest.approx(want["ci95_low_eighths"], rel=1e-8)
    assert t.interval().high == pytest.approx(want["ci95_high_eighths"], rel=REL)


def test_tomato_fertilisers():
    data, want = check("box_hunter_hunter_tomato", "bhh_tomato_complete_randomisation")
    a, b = data["A"], data["B"]
    obs = Observations(
        value=np.array(a + b),
        condition=np.array(["A"] * len(a) + ["B"] * len(b)),
        block=np.full(11, "one"),
        reference="A",
    )
    sequences = np.zeros((want["arrangements"], 11), dtype=int)
    for k, plots in enumerate(combinations(range(11), len(b))):
        sequences[k, list(plots)] = 1
    result = replay_test(obs, sequences, exact=True)
    assert result.statistic == pytest.approx(want["diff_B_minus_A"], rel=REL)
    slack = 1e-9
    reached = int(np.sum(result.null >= result.statistic - slack))
    beyond = int(np.sum(result.null > result.statistic + slack))
    assert (reached, beyond) == (want["n_ge"], want["n_gt"])
    # Two-sided: the same statistic's absolute value, counted on both sides.
    assert result.p == np.mean(np.abs(result.null) >= result.statistic - slack)
