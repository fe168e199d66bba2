"""Borrowed noise: closed forms, quadrature against sampling."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct, t

from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.bayes import (
    Evidence,
    NoisePrior,
    borrowed_df,
    chances,
    posterior,
    sceptical_sd,
)
from trialkit.statistics.quadrature import noncentral_t_cdf, noncentral_t_quantile


def test_flat_prior_without_borrowing_is_the_paired_t():
    d = np.random.default_rng(1).normal(1, 2, 7)
    belief = posterior(Evidence.from_differences(d))
    half = t.ppf(0.975, 6) * d.std(ddof=1) / np.sqrt(7)
    interval = belief.interval()
    assert interval.low == pytest.approx(d.mean() - half, rel=1e-12)
    assert interval.high == pytest.approx(d.mean() + half, rel=1e-12)


def test_borrowed_noise_is_pooled_by_degrees_of_freedom():
    """The formula of a scaled inverse chi-square prior, written out for pairs."""
    d = np.array([3.0, 1.0, 4.0, 1.5])
    belief = posterior(Evidence.from_differences(d), noise=NoisePrior(2.0, 8))
    s2 = (8 * 2.0**2 + 3 * d.var(ddof=1) / 2) / 11
    assert belief.df == 11
    assert belief.noise == pytest.approx(np.sqrt(s2), rel=1e-12)
    assert belief.scale == pytest.approx(np.sqrt(2 * s2 / 4), rel=1e-12)


@settings(max_examples=30, derandomize=True, deadline=None)
@given(st.floats(-5, 5), st.floats(0.3, 4), st.integers(1, 20))
def test_a_very_wide_sceptical_prior_is_flat(difference, sd, df):
    evidence = Evidence(difference, 0.4, sd**2 * df, df)
    flat, wide = posterior(evidence), posterior(evidence, effect_sd=1e6)
    for level in (0.8, 0.95):
        # With 1 df the t has tails so long that a prior of any finite width is seen in them.
        tolerance = 1e-3 if df == 1 else 1e-5
        assert wide.interval(level).low == pytest.approx(
            flat.interval(level).low, abs=tolerance * sd
        )
    assert wide.chance_above(0.5) == pytest.approx(flat.chance_above(0.5), abs=1e-4)


def test_sceptical_posterior_equals_a_fine_grid_over_both_unknowns():
    evidence = Evidence(2.0, 1 / 3, 7.0, 5)
    log_sigma = np.linspace(-3, 5, 1201)[:, None]
    delta = np.linspace(-12, 12, 2401)[None, :]
    sigma2 = np.exp(2 * log_sigma)
    log_p = (
        -5 * log_sigma
        - 7.0 / (2 * sigma2)
        - log_sigma
        - (2.0 - delta) ** 2 / (2 * sigma2 / 3)
        - delta**2 / 2
    )
    density = np.exp(log_p - log_p.max())
    density /= density.sum()
    belief = posterior(evidence, effect_sd=1.0)
    assert belief.mean == pytest.approx(float((density * delta).sum()), abs=1e-5)
    grid_chance = float(density[:, delta[0] > 0.505].sum())
    assert belief.chance_above(0.505) == pytest.approx(grid_chance, abs=1e-4)


def test_scepticism_shrinks_and_mirrors():
    evidence, mirrored = Evidence(2.0, 0.5, 6.0, 4), Evidence(-2.0, 0.5, 6.0, 4)
    belief = posterior(evidence, effect_sd=sceptical_sd(1.0))
    assert 0 < belief.mean < 2.0
    one = chances(belief, 1.0)
    other = chances(posterior(mirrored, effect_sd=sceptical_sd(1.0)), 1.0, sign=-1)
    assert one.better == pytest.approx(other.better, rel=1e-9)
    assert one.better + one.within + one.worse == pytest.approx(1, abs=1e-12)


def test_the_sceptical_width_leaves_the_stated_chance_outside():
    # 1.6449 is the 95 % point of the normal: 10 % lie outside +- the margin.
    assert sceptical_sd(2.0) == pytest.approx(2.0 / 1.6448536269514722, rel=1e-12)


def test_discounting():
    # Own computation from the trigamma relation, three spreads between athletes.
    expected = {0.2: 8.3, 0.35: 4.2, 0.5: 2.6}
    for spread, df in expected.items():
        assert borrowed_df(19, spread=spread, cap=99) == pytest.approx(df, abs=0.06)
    assert borrowed_df(19) == 8
    assert borrowed_df(5) == 5
    assert borrowed_df(19, spread=0, cap=99) == pytest.approx(19, rel=1e-6)


@pytest.mark.parametrize("df", [1, 2, 3, 9, 40])
def test_noncentral_t_against_scipy_where_scipy_gives_a_number(df):
    points = [(x, shift) for x in (-2.0, 0.4, 5.0) for shift in (0.0, 1.0, 6.0)]
    theirs = [float(nct.cdf(x, df, shift)) for x, shift in points]
    ours = [noncentral_t_cdf(x, df, shift) for x, shift in points]
    known = [k for k, value in enumerate(theirs) if np.isfinite(value)]
    assert len(known) >= 5
    assert np.allclose([ours[k] for k in known], [theirs[k] for k in known], atol=1e-10)
    for p in (0.025, 0.5, 0.975):
        assert noncentral_t_cdf(noncentral_t_quantile(p, df, 6.0), df, 6.0) == pytest.approx(p)


def test_without_any_noise_there_is_no_answer():
    with pytest.raises(UnanswerableError, match="noise"):
        posterior(Evidence(1.0, 2.0, 0.0, 0))
    with pytest.raises(RequestError, match="borrowed only"):
        NoisePrior(0.0, 5)


@pytest.mark.parametrize("athlete_noise", [1.0, 0.5])
def test_borrowing_keeps_the_error_rate_when_the_athlete_is_not_noisier(athlete_noise):
    """No effect, 4 pairs, study of 19 df capped at 8: wrong claims at most 5 %."""
    rng, trials = np.random.default_rng(6), 4000
    wrong = 0
    for _ in range(trials):
        study = np.sqrt(rng.chisquare(19) / 19)
        d = rng.normal(0, athlete_noise * np.sqrt(2), 4)
        noise = NoisePrior(study, borrowed_df(19))
        interval = posterior(Evidence.from_differences(d), noise=noise).interval()
        wrong += not interval.low <= 0 <= interval.high
    assert wrong / trials < 0.05 + 4 * np.sqrt(0.05 * 0.95 / trials)
