from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.domain.estimates import Interval, Verdict
from trialkit.statistics.bayes import Evidence, NoisePrior
from trialkit.statistics.contrasts import LinearContrast
from trialkit.statistics.forecast import PROBABLY, Analysis, blocks_to_settle, chance_settled
from trialkit.statistics.verdict import Question, classify, decide

S = 1.0


def read(low: float, high: float, low_90: float, high_90: float) -> Verdict:
    return classify(Interval(low, high), Interval(low_90, high_90, 0.9), S)


@pytest.mark.parametrize(
    ("ends", "verdict"),
    [
        ((1.1, 3.0, 1.3, 2.8), Verdict.HELPS),
        ((0.2, 3.0, 0.4, 2.8), Verdict.HELPS_SIZE_NOT_SETTLED),
        ((1.0, 3.0, 1.2, 2.8), Verdict.HELPS_SIZE_NOT_SETTLED),
        ((-0.8, 0.8, -0.6, 0.6), Verdict.NO_WORTHWHILE_DIFFERENCE),
        ((-1.2, 1.1, -0.9, 0.9), Verdict.NO_WORTHWHILE_DIFFERENCE),
        # Read before "helps, size not settled" when both hold.
        ((0.1, 0.9, 0.2, 0.8), Verdict.NO_WORTHWHILE_DIFFERENCE),
        ((-1.5, 1.0, -1.0, 0.5), Verdict.NOT_SETTLED),
        ((0.0, 2.0, 0.2, 1.8), Verdict.NOT_SETTLED),
        ((-3.0, 3.0, -2.0, 2.0), Verdict.NOT_SETTLED),
        ((-3.0, -0.2, -2.8, -0.4), Verdict.HURTS_SIZE_NOT_SETTLED),
        ((-3.0, -1.1, -2.8, -1.3), Verdict.HURTS),
    ],
)
def test_the_rule(ends: tuple[float, float, float, float], verdict: Verdict) -> None:
    assert read(*ends) is verdict


MIRROR = {
    Verdict.HELPS: Verdict.HURTS,
    Verdict.HELPS_SIZE_NOT_SETTLED: Verdict.HURTS_SIZE_NOT_SETTLED,
    Verdict.HURTS: Verdict.HELPS,
    Verdict.HURTS_SIZE_NOT_SETTLED: Verdict.HELPS_SIZE_NOT_SETTLED,
}


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.floats(-5, 5), st.floats(0.01, 3), st.integers(1, 30))
def test_mirror_images(effect: float, se: float, df: int) -> None:
    one, other = LinearContrast(effect, se, df), LinearContrast(-effect, se, df)
    verdict = classify(one.interval(0.95), one.interval(0.9), S)
    turned = classify(other.interval(0.95), other.interval(0.9), S)
    assert turned is MIRROR.get(verdict, verdict)


def evidence(effect: float, pairs: int = 6, noise: float = 1.0) -> Evidence:
    return Evidence(effect, 2 / pairs, noise**2 * (pairs - 1), pairs - 1.0)


def contrast_of(e: Evidence) -> LinearContrast:
    return LinearContrast(e.difference, float(np.sqrt(e.ss / e.df * e.unit_variance)), e.df)


def test_decision_turns_with_the_direction_of_better() -> None:
    e = evidence(-4.0)
    contrast = contrast_of(e).named("new", "old", method="paired", level=0.95)
    lower = decide(contrast, e, Question(sign=-1, margin=S))
    higher = decide(contrast, e, Question(sign=1, margin=S))
    assert lower is not None
    assert higher is not None
    assert (lower.verdict, higher.verdict) == (Verdict.HELPS, Verdict.HURTS)
    assert lower.chance_better == pytest.approx(higher.chance_worse)
    assert lower.chance_better + lower.chance_within + lower.chance_worse == pytest.approx(1)
    assert lower.further_blocks is None


def test_not_settled_names_the_blocks_that_would() -> None:
    e = evidence(0.8)
    contrast = contrast_of(e).named("new", "old", method="paired", level=0.95)
    found = decide(contrast, e, Question(sign=1, margin=S, further_blocks=40))
    assert found is not None
    assert found.verdict is Verdict.NOT_SETTLED
    assert found.further_blocks is not None
    assert found.chance_settled is not None
    assert found.chance_settled >= PROBABLY
    short = decide(contrast, e, Question(sign=1, margin=S, further_blocks=1))
    assert short is not None
    assert short.further_blocks is None
    assert short.chance_settled is not None
    assert short.chance_settled < PROBABLY
    none = decide(contrast, e, Question(sign=1, margin=S, further_blocks=0))
    assert none is not None
    assert (none.further_blocks, none.chance_settled) == (None, None)


def simulated_chance(e: Evidence, further: int, draws: int, seed: int) -> float:
    """The same predictive chance by brute force, pair by pair."""
    rng = np.random.default_rng(seed)
    pairs = round(2 / e.unit_variance)
    sigma = np.sqrt(e.ss / rng.chisquare(e.df, draws))
    true = e.difference + sigma * np.sqrt(e.unit_variance) * rng.normal(size=draws)
    new = true[:, None] + sigma[:, None] * np.sqrt(2) * rng.normal(size=(draws, further))
    total = pairs + further
    mean = (pairs * e.difference + new.sum(axis=1)) / total
    ss = 2 * e.ss + pairs * e.difference**2 + (new**2).sum(axis=1) - total * mean**2
    se = np.sqrt(ss / (total - 1) / total)
    from scipy import stats

    wide, narrow = stats.t.ppf([0.975, 0.95], total - 1)
    settled = (np.abs(mean) > wide * se) | (np.abs(mean) + narrow * se < S)
    return float(settled.mean())


@pytest.mark.parametrize(("effect", "further"), [(0.8, 2), (0.8, 8), (0.1, 20), (1.5, 4)])
def test_forecast_against_brute_force(effect: float, further: int) -> None:
    e, draws = evidence(effect), 40_000
    got = chance_settled(e, Analysis(S), further=further)
    want = simulated_chance(e, further, draws, seed=further)
    # Four Monte-Carlo errors, and 0.005 for slices of finite width.
    assert got == pytest.approx(want, abs=4 * np.sqrt(want * (1 - want) / draws) + 0.005)


def test_forecast_of_one_pair_uses_the_borrowed_noise() -> None:
    one = Evidence(2.0, 2.0, 0.0, 0.0)
    analysis = Analysis(S, noise=NoisePrior(0.3, 8.0))
    assert chance_settled(one, analysis, further=1) > 0.95
    noisy = Analysis(S, noise=NoisePrior(3.0, 8.0))
    assert blocks_to_settle(one, noisy, most=5).blocks is None
