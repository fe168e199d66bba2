"""The quality page of a recording, and candidate measures compared on baseline recordings."""

import numpy as np
import pytest

from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.outcomes import Worthwhile
from trialkit.domain.recordings import Integrity, SegmentRule
from trialkit.errors import UnanswerableError
from trialkit.ingest.candidates import compare_candidates
from trialkit.ingest.measuring import measure
from trialkit.ingest.quality import explain_recording, recording_quality
from trialkit.ingest.segments import find_segments

T = np.arange(300.0)
RULES = (SegmentRule("effort", elapsed_s=(60, 240)), SegmentRule("bell", event="bell"))


@pytest.fixture
def session(make_recording):
    def make(level=250.0, seed=0):
        rng = np.random.default_rng(seed)
        heart = 150 + rng.normal(0, 1, 300)
        heart[[10, 11]] = 0
        heart[50] = np.nan
        return make_recording(
            {"power": ("W", T, level + rng.normal(0, 5, 300)), "heart_rate": ("bpm", T, heart)}
        )

    return make


def test_quality_counts_what_was_read_removed_cut_and_measured(session):
    recording = session()
    recipe = MeasureRecipe("power", "effort", "mean")
    values = {"mean_power": measure(recording, recipe, segments=find_segments(recording, RULES))}
    page = recording_quality(recording, rules=RULES, values=values)
    heart = next(c for c in page.channels if c.name == "heart_rate")
    assert (heart.n_samples, heart.n_invalid, heart.n_removed) == (300, 1, 2)
    assert heart.removed == (("dropout to zero", 2),)
    assert heart.longest_gap_s == 3
    assert heart.coverage == pytest.approx(1 - 2 / 300)  # of a 3 s gap one spacing is covered
    assert [s.name for s in page.segments] == ["effort"]
    assert page.missing == (("bell", "the events are: none."),)
    assert page.values["mean_power"].value == pytest.approx(250, abs=2)
    assert page.integrity is Integrity.OK


def test_explaining_in_lines(session, make_plan):
    recording = session()
    recipes = {
        "mean_power": MeasureRecipe("power", "effort", "mean"),
        "rise": MeasureRecipe("heart_rate", "effort", "last"),
    }
    values = {
        n: measure(recording, r, segments=find_segments(recording, RULES))
        for n, r in recipes.items()
    }
    told = "\n".join(explain_recording(recording, values, make_plan(RULES)))
    assert "channel heart_rate (bpm): 300 samples every 1 s, 1 invalid, 2 removed" in told
    assert "removed 2: dropout to zero" in told
    assert "segment effort: 60.0 to 240.0 s (elapsed time)" in told
    assert "segment bell: not found; the events are: none." in told
    assert "outcome rise: no value: last needs a window (seconds above 0)" in told
    assert "(mean of power in effort; coverage 100%, 180 samples)" in told


@pytest.fixture
def make_plan():
    from trialkit.domain.conditions import Condition
    from trialkit.domain.outcomes import Better, Outcome
    from trialkit.domain.plans import DesignPlan, Plan

    def make(rules):
        return Plan(
            "t", "q", "a",
            (Condition("a", "A", reference=True), Condition("b", "B")),
            (Outcome("mean_power", "Mean power", "W", Better.HIGHER),),
            DesignPlan("randomised-pairs", 6, 2),
            segments=tuple(rules),
        )  # fmt: skip

    return make


CANDIDATES = {
    "mean": MeasureRecipe("power", "effort", "mean"),
    "peak": MeasureRecipe("power", "effort", "peak"),
    "speed": MeasureRecipe("speed", "effort", "mean"),
}
MARGIN = {name: Worthwhile(1.0, "%", "made up") for name in CANDIDATES}


def baseline(session, n=8, drift=0.0):
    levels = 250 * np.exp(np.random.default_rng(7).normal(0, 0.01, n) + drift * np.arange(n))
    return [session(level, seed) for seed, level in enumerate(levels)], levels


def test_the_quieter_measure_comes_first(session):
    recordings, levels = baseline(session)
    found = compare_candidates(recordings, CANDIDATES, rules=RULES, worthwhile=MARGIN)
    assert [c.name for c in found.candidates][-1] == "speed"
    best = found.candidates[0]
    assert best.signal_to_noise >= found.candidates[1].signal_to_noise
    mean = next(c for c in found.candidates if c.name == "mean")
    x = np.arange(8)
    residual = np.log(levels) - np.polyval(np.polyfit(x, np.log(levels), 1), x)
    expected = 100 * np.expm1(np.sqrt(residual @ residual / 6))
    # The mean over 180 s adds a noise of its own of 0.15 %.
    assert mean.typical_error == pytest.approx(expected, rel=0.15)
    assert (mean.unit, mean.df, mean.n) == ("%", 6, 8)
    assert mean.interval.low < mean.typical_error < mean.interval.high
    assert mean.signal_to_noise == pytest.approx(np.log(1.01) / np.log1p(mean.typical_error / 100))
    speed = found.candidates[-1]
    assert speed.typical_error is None
    assert "0 values" in speed.reason
    assert "no channel 'speed'" in speed.voids[0]
    assert not found.exploratory
    assert any("cannot be told apart" in note for note in found.notes)


def test_a_steady_gain_is_not_noise(session):
    steady, _ = baseline(session)
    learning, _ = baseline(session, drift=0.02)
    one, other = (
        compare_candidates(r, CANDIDATES, rules=RULES, worthwhile=MARGIN).candidates
        for r in (steady, learning)
    )
    pick = {c.name: c.typical_error for c in one}, {c.name: c.typical_error for c in other}
    assert pick[1]["mean"] == pytest.approx(pick[0]["mean"], rel=0.1)


def test_without_a_margin_there_is_noise_but_no_signal(session):
    recordings, _ = baseline(session)
    found = compare_candidates(recordings, {"mean": CANDIDATES["mean"]}, rules=RULES)
    assert found.candidates[0].signal_to_noise is None
    assert found.candidates[0].unit == "W"


def test_choosing_after_opening_is_refused_or_marked(session):
    recordings, _ = baseline(session)
    with pytest.raises(UnanswerableError, match="chosen by the answer"):
        compare_candidates(recordings, CANDIDATES, rules=RULES, opened=2)
    marked = compare_candidates(recordings, CANDIDATES, rules=RULES, opened=2, allow_opened=True)
    assert marked.exploratory
    assert marked.notes[0].startswith("EXPLORATORY")


def test_too_few_repeats(session):
    with pytest.raises(UnanswerableError, match="fewer than 3"):
        compare_candidates(baseline(session, 2)[0], CANDIDATES)


def test_equal_repeats_have_no_noise_to_compare_with(session):
    same = [session(250.0, 1)] * 4
    found = compare_candidates(same, {"mean": CANDIDATES["mean"]}, rules=RULES)
    assert found.candidates[0].reason == "all repeats are equal"
