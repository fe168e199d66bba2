from __future__ import annotations

import numpy as np
import pytest

from trialkit.domain.estimates import Verdict
from trialkit.domain.observations import Observations
from trialkit.statistics.estimate import EstimateOptions, estimate
from trialkit.statistics.fixed_effects import Array, Terms
from trialkit.statistics.paired import fit_fixed_blocks
from trialkit.statistics.stated_correlation import PHIS, stated_contrast, tipping_note
from trialkit.statistics.verdict import contrast_verdict


def trial(value: Array, blocks: int = 8) -> Observations:
    orders = np.array(["AB", "BA", "BA", "AB", "BA", "AB", "AB", "BA"])[:blocks]
    return Observations(
        value,
        np.array(list("".join(orders))),
        np.repeat([f"b{i}" for i in range(blocks)], 2),
        reference="A",
        time=np.arange(1.0, 2 * blocks + 1),
    )


def test_independent_noise_gives_the_paired_t() -> None:
    obs = trial(np.random.default_rng(2).normal(size=16))
    one = stated_contrast(obs, EstimateOptions(), ("B", "A"), phi=0.0)
    other = fit_fixed_blocks(obs, Terms()).contrast("B", "A")
    assert (one.estimate, one.se, one.df) == pytest.approx(
        (other.estimate, other.se, other.df), rel=1e-10
    )


@pytest.mark.parametrize("phi", [0.3, 0.7])
def test_exact_for_the_stated_correlation(phi: float) -> None:
    rng, n, replicates = np.random.default_rng(8), 16, 400
    gaps = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    noise = rng.normal(size=(replicates, n)) @ np.linalg.cholesky(phi**gaps).T
    noise += np.repeat(3 * rng.normal(size=(replicates, 8)), 2, axis=1)
    unit = trial(np.arange(16.0))
    p = np.array(
        [
            stated_contrast(_with(unit, row), EstimateOptions(), ("B", "A"), phi=phi).p
            for row in noise
        ]
    )
    # Exact means uniform p; the Kolmogorov distance of 400 uniforms exceeds 0.095 once in 1000.
    steps = np.arange(1, replicates + 1) / replicates
    assert np.abs(np.sort(p) - steps).max() < 0.095


def _with(obs: Observations, value: Array) -> Observations:
    return Observations(value, obs.condition, obs.block, reference="A", time=obs.time)


def test_the_note_names_the_tipping_point_or_says_there_is_none() -> None:
    rng = np.random.default_rng(4)
    obs = trial(np.zeros(16))
    clear = _with(obs, 20.0 * (obs.condition == "B") + rng.normal(size=16))
    options = EstimateOptions(margin=1.0)
    steady = tipping_note(clear, options, place=0, verdict=Verdict.HELPS)
    assert "same for every stated correlation" in steady
    # Another method's verdict is no matter of correlation: nothing "correlated by 0" is said.
    apart = tipping_note(clear, options, place=0, verdict=Verdict.NOT_SETTLED)
    assert "same for every stated correlation" in apart
    assert '(with fixed blocks "helps" by itself)' in apart
    edge = _with(obs, 1.5 * (obs.condition == "B") + rng.normal(size=16))
    found = [
        contrast_verdict(
            stated_contrast(edge, options, ("B", "A"), phi=phi).named(
                "B", "A", method="stated", level=0.95
            ),
            sign=1,
            margin=1.0,
        )
        for phi in PHIS
    ]
    first = next(phi for phi, verdict in zip(PHIS, found, strict=True) if verdict != found[0])
    told = tipping_note(edge, options, place=0, verdict=found[0])
    assert f"correlated by {first:g}," in told
    assert "by itself" not in told


def test_the_note_is_on_the_result() -> None:
    obs = trial(np.random.default_rng(2).normal(size=16))
    result = estimate(obs, options=EstimateOptions(margin=1.0))
    assert any("correlat" in note for note in result.notes)
    assert not any("correlat" in note for note in estimate(obs).notes)
