from __future__ import annotations

import numpy as np
import pytest

from trialkit.domain.observations import Observations
from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import Array, block_indicators
from trialkit.statistics.mixed_small_sample import small_sample
from trialkit.statistics.serial import SerialDesign, fit_serial

TIME = np.array([1.0, 2.0, 3.5, 4.5, 7.0, 8.0, 9.0, 11.0, 12.0, 13.5])
X = np.column_stack([np.ones(10), [0, 1, 1, 0, 1, 0, 0, 1, 1, 0]]).astype(float)


@pytest.mark.parametrize("with_block", [False, True])
def test_derivatives_of_the_covariance(with_block: bool) -> None:
    Z = block_indicators(np.repeat(list("abcde"), 2)) if with_block else None
    design = SerialDesign.of(X, TIME, Z=Z)
    phi, variance, block, h = 0.4, 1.7, 0.6, 1e-5
    at = design.covariance(phi, variance, block)
    assert at.second is not None

    def covariance(**change: float) -> Array:
        values = {"phi": phi, "variance": variance, "block": block} | change
        return design.covariance(**values).V

    slope_phi = (covariance(phi=phi + h) - covariance(phi=phi - h)) / (2 * h)
    bend_phi = (covariance(phi=phi + h) - 2 * covariance() + covariance(phi=phi - h)) / h**2
    assert at.first[0] == pytest.approx((covariance(variance=2.7) - covariance()), abs=1e-12)
    assert at.first[1] == pytest.approx(slope_phi, abs=1e-8)
    # A second difference with step 1e-5 keeps about five digits.
    assert at.second[1, 1] == pytest.approx(bend_phi, abs=1e-4)
    assert at.second[0, 1] * variance == pytest.approx(slope_phi, abs=1e-8)
    if with_block:
        assert at.first[2] == pytest.approx(covariance(block=1.6) - covariance(), abs=1e-12)


def test_gradient_of_the_coefficients_covariance() -> None:
    design = SerialDesign.of(X, TIME)
    y = np.arange(10.0) % 3
    at = small_sample(y, X, design.covariance(0.5, 2.0, 0.0))
    h = 1e-6
    up = small_sample(y, X, design.covariance(0.5 + h, 2.0, 0.0)).phi
    down = small_sample(y, X, design.covariance(0.5 - h, 2.0, 0.0)).phi
    assert at.gradient[1] == pytest.approx((up - down) / (2 * h), abs=1e-7)
    assert at.gradient[0] == pytest.approx(at.phi / 2.0, rel=1e-10)


def test_phi_belongs_to_the_users_unit_of_time() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(40.0)
    e = np.zeros(40)
    for i in range(1, 40):
        e[i] = 0.7 * e[i - 1] + rng.normal()
    wide = np.column_stack([np.ones(40), np.arange(40) % 2])
    days = fit_serial(e, SerialDesign.of(wide, time))
    hours = fit_serial(e, SerialDesign.of(wide, 24 * time))
    assert hours.phi**24 == pytest.approx(days.phi, rel=1e-6)
    assert hours.contrast(np.array([0.0, 1])) == days.contrast(np.array([0.0, 1]))


def test_inference_is_floored() -> None:
    # Four alternating pairs: the unguarded adjustment can turn the variance negative.
    wide = np.column_stack([np.ones(8), np.arange(8) % 2])
    design = SerialDesign.of(wide, np.arange(8.0))
    rng = np.random.default_rng(11)
    c = np.array([0.0, 1.0])
    overshot = 0
    for _ in range(100):
        fit = fit_serial(rng.normal(size=8), design, bias=False)
        plain = float(c @ fit.inference.phi @ c)
        overshot += float(c @ fit.inference.adjusted @ c) < plain
        got = fit.contrast(c)
        assert got.se**2 >= plain * (1 - 1e-12)
        assert got.df >= 1
    assert overshot > 0


def test_two_periods_at_one_time_are_refused() -> None:
    with pytest.raises(UnanswerableError, match="same time"):
        SerialDesign.of(X, np.zeros(10))


def test_too_few_periods_are_refused() -> None:
    with pytest.raises(UnanswerableError, match="more periods"):
        fit_serial(np.arange(4.0), SerialDesign.of(X[:4], TIME[:4]))


def test_needs_a_time() -> None:
    obs = Observations(
        np.arange(10.0) ** 1.5, np.where(X[:, 1] > 0, "B", "A"), np.repeat(list("abcde"), 2), "A"
    )
    with pytest.raises(RequestError, match="no time in the table"):
        estimate(obs, options=EstimateOptions(method="serial"))


def test_a_wandering_outcome_keeps_a_standard_error_of_its_own_size() -> None:
    # A double sum of noise beside a trend: phi runs to its bound, where the correction by itself
    # is rounding error (it made this standard error 250 times too large).
    rng = np.random.default_rng(6)
    order = np.array([rng.permutation([0, 1]) for _ in range(5)]).ravel()
    wide = np.column_stack([np.ones(10), np.arange(10.0) - 4.5, order])
    value = np.cumsum(np.cumsum(rng.normal(size=10))) + 0.05 * rng.normal(size=10)
    fit = fit_serial(value, SerialDesign.of(wide, np.arange(10.0)))
    c = np.array([0.0, 0, 1])
    plain = float(c @ fit.inference.phi @ c)
    assert fit.held
    # The square root and its square lose a last digit.
    assert plain * (1 - 1e-12) <= fit.contrast(c).se ** 2 < 1.5 * plain


def test_a_held_correction_is_told() -> None:
    rng = np.random.default_rng(6)
    condition = np.array([rng.permutation(["A", "B"]) for _ in range(6)]).ravel()
    value = np.cumsum(np.cumsum(rng.normal(size=12)))
    obs = Observations(value, condition, np.repeat(list("abcdef"), 2), "A", time=np.arange(12.0))
    told = estimate(obs, options=EstimateOptions(method="serial", sensitivity=False))
    assert any("held at what it is" in note for note in told.notes)
    calm = Observations(rng.normal(size=12), condition, obs.block, "A", time=np.arange(12.0))
    quiet = estimate(calm, options=EstimateOptions(method="serial", sensitivity=False))
    assert not any("held at what it is" in note for note in quiet.notes)
