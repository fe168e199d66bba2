from __future__ import annotations

from math import inf

import numpy as np
import pytest
from scipy import stats

from trialkit.statistics.noise import (
    conflict_p,
    minimal_detectable_change,
    noise_notes,
    observed_noise,
    typical_error_interval,
)


def test_interval_from_chi_square_quantiles() -> None:
    got = typical_error_interval(2.0, 9)
    assert got.low == pytest.approx(2 * np.sqrt(9 / stats.chi2.ppf(0.975, 9)), rel=1e-12)
    assert got.high == pytest.approx(2 * np.sqrt(9 / stats.chi2.ppf(0.025, 9)), rel=1e-12)


def test_interval_of_almost_no_df_has_no_upper_end() -> None:
    assert typical_error_interval(1.0, 0.001).high == inf


def test_minimal_detectable_change_of_a_mean_over_pairs() -> None:
    one = minimal_detectable_change(3.0)
    assert one == pytest.approx(stats.norm.ppf(0.975) * np.sqrt(2) * 3.0, rel=1e-12)
    assert minimal_detectable_change(3.0, n_one=8, n_other=8) == pytest.approx(one / np.sqrt(8))


def test_exceeds_noise_at_the_threshold() -> None:
    edge = minimal_detectable_change(1.0, n_one=6, n_other=6)
    above = observed_noise(1.0, 5, effect=-edge * 1.001, counts=(6, 6))
    below = observed_noise(1.0, 5, effect=edge * 0.999, counts=(6, 6))
    assert above.exceeds_noise
    assert not below.exceeds_noise


def test_conflict_is_two_sided() -> None:
    p = conflict_p(2.0, 7, 1.0, 19)
    assert p == pytest.approx(2 * stats.f.sf(4.0, 7, 19), rel=1e-12)
    assert conflict_p(0.3, 7, 1.0, 19) == pytest.approx(2 * stats.f.cdf(0.09, 7, 19), rel=1e-9)


def test_conflict_is_said_aloud_and_agreement_is_not() -> None:
    loud = observed_noise(9.0, 7, effect=0.0, counts=(8, 8), planned=(1.0, 19.0))
    assert "larger than planned" in noise_notes(loud)[0]
    small = observed_noise(0.01, 7, effect=0.0, counts=(8, 8), planned=(1.0, 19.0))
    assert "smaller than planned" in noise_notes(small)[0]
    quiet = observed_noise(1.1, 7, effect=0.0, counts=(8, 8), planned=(1.0, 19.0))
    assert noise_notes(quiet) == ()
    without_df = observed_noise(9.0, 7, effect=0.0, counts=(8, 8), planned=(1.0, None))
    assert without_df.conflict_p is None
    assert noise_notes(without_df) == ()
