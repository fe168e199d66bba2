"""Segments, cleaning and the first measures, each on signals whose answer is known."""

import numpy as np
import pytest

from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.recordings import Event, Segment, SegmentRule
from trialkit.errors import UnanswerableError
from trialkit.ingest.channels import Limits
from trialkit.ingest.cleaning import clean
from trialkit.ingest.measuring import measure
from trialkit.ingest.reading import read_recording
from trialkit.ingest.segments import find_segment, find_segments

T = np.arange(300.0)


@pytest.fixture
def ramp(make_recording):
    """Power rises by 1 W per second from 100 W; laps 0-60, 60-240, 240-300 s."""
    laps = (Segment("lap 1", 0, 60), Segment("lap 2", 60, 240), Segment("lap 3", 240, 300))
    events = (Event("timer start", 0), Event("marker", 100), Event("timer stop", 200))
    return make_recording({"power": ("W", T, 100 + T)}, laps=laps, events=events)


def value(recording, statistic, segment="lap 2", segments=(), **more):
    taken = measure(
        recording, MeasureRecipe("power", segment, statistic, **more), segments=segments
    )
    assert taken.value is not None, taken.reason
    return taken


def reason(recording, statistic, segment="lap 2", channel="power", **more):
    taken = measure(recording, MeasureRecipe(channel, segment, statistic, **more))
    assert taken.value is None
    return taken.reason


@pytest.mark.parametrize(
    ("rule", "edges"),
    [
        (SegmentRule("x", lap=2), (60, 240)),
        (SegmentRule("x", lap="lap 3"), (240, 300)),
        (SegmentRule("x", event="marker"), (100, 200)),
        (SegmentRule("x", elapsed_s=(10, 20)), (10, 20)),
        (SegmentRule("x", clock=("16:01", "16:02:30")), (60, 150)),
        (SegmentRule("x", clock=("17:01+01:00", "17:02+01:00")), (60, 120)),
        (SegmentRule("x", clock=("2026-03-02T16:00:30", "2026-03-02T16:01:00")), (30, 60)),
        (SegmentRule("x", channel="power", above=250, hold_s=30), (150, 300)),
    ],
)
def test_segments_by_every_rule(ramp, rule, edges):
    found = find_segment(ramp, "x", [rule])
    assert (found.name, found.start_s, found.end_s) == ("x", *edges)


def test_a_lap_needs_no_rule_and_whole_is_all(ramp):
    assert find_segment(ramp, "lap 2").end_s == 240
    assert value(ramp, "mean", "whole").n_samples == 300


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        (SegmentRule("x", lap=7), "3 laps"),
        (SegmentRule("x", event="bell"), "'marker', 'timer start'"),
        (SegmentRule("x", elapsed_s=(400, 500)), "0 to 299"),
        (SegmentRule("x", clock=("half past", "16:00")), "not an ISO time"),
        (SegmentRule("x", channel="power", above=900), "0 times"),
        (SegmentRule("x", channel="speed", above=3), "channels are: power"),
        (SegmentRule("x", channel="power", above=250, round=2), "1 times"),
    ],
)
def test_a_segment_that_is_not_there_says_what_is(ramp, rule, says):
    with pytest.raises(UnanswerableError, match=says) as caught:
        find_segment(ramp, "x", [rule])
    assert caught.value.exit_status == 4


def test_rounds_and_rests_of_a_repeated_effort(make_recording):
    t = np.arange(0.0, 200.0)
    power = np.where((t // 20) % 2 == 1, 400.0, 80.0)  # 20 s on from 20 s, five times
    power[45] = 80.0  # inside a rest
    power[65] = 60.0  # a dip of one second inside a round
    recording = make_recording({"power": ("W", t, power)})
    rule = SegmentRule("sprints", channel="power", above=300, hold_s=10)
    found = {s.name: (s.start_s, s.end_s) for s in find_segments(recording, [rule])}
    assert found["sprints"] == (20, 200)
    assert [found[f"sprints round {i}"] for i in (1, 2, 5)] == [(20, 40), (60, 80), (180, 200)]
    assert found["sprints rest 1"] == (40, 60)
    third = find_segment(recording, "s", [SegmentRule("s", channel="power", above=300, round=3)])
    assert (third.start_s, third.end_s) == (100, 120)


def test_a_gap_in_the_data_is_not_effort(make_recording):
    t = np.concatenate([np.arange(0.0, 30), np.arange(90.0, 120)])
    recording = make_recording({"power": ("W", t, np.full(60, 300.0))})
    rule = SegmentRule("s", channel="power", above=200, hold_s=10)
    found = [s for s in find_segments(recording, [rule]) if "round" in s.name]
    assert [(s.start_s, s.end_s) for s in found] == [(0, 30), (90, 120)]


def test_levels_of_a_ramp(ramp):
    assert value(ramp, "mean").value == pytest.approx(100 + 149.5)  # samples 60..239
    assert value(ramp, "time_weighted_mean").value == pytest.approx(249.5)
    assert value(ramp, "peak").value == 339
    assert value(ramp, "peak", seconds=10).value == pytest.approx(334.5)
    assert value(ramp, "minimum").value == 160
    assert value(ramp, "minimum", seconds=10).value == pytest.approx(164.5)
    assert value(ramp, "best", seconds=30).value == pytest.approx(324.5)
    assert value(ramp, "best", seconds=30, settings={"lowest": 1}).value == pytest.approx(174.5)
    assert value(ramp, "last", seconds=20).value == pytest.approx(329.5)
    assert value(ramp, "first", seconds=20).value == pytest.approx(169.5)
    assert value(ramp, "mean").unit == "W"
    assert value(ramp, "mean").coverage == 1.0


def test_slope_per_minute_with_its_standard_error(ramp, make_recording):
    taken = value(ramp, "slope")
    assert taken.value == pytest.approx(60.0)
    assert taken.unit == "W/min"
    assert taken.uncertainty == pytest.approx(0, abs=1e-9)
    # Against the closed form of scipy's linear regression on noisy data.
    from scipy.stats import linregress

    rng = np.random.default_rng(3)
    noisy = 200 + 0.3 * T + rng.normal(0, 5, T.size)
    taken = value(make_recording({"power": ("W", T, noisy)}), "slope", "whole")
    line = linregress(T / 60, noisy)
    assert taken.value == pytest.approx(line.slope, rel=1e-9)
    assert taken.uncertainty == pytest.approx(line.stderr, rel=1e-9)


def test_what_cannot_be_had_says_why(ramp, make_recording):
    assert "no channel 'speed'; it has power" in reason(ramp, "mean", channel="speed")
    assert "no measure is called 'median'" in reason(ramp, "median")
    assert "3 laps" in reason(ramp, "mean", "lap 9")
    assert "needs a window" in reason(ramp, "last")
    assert "500 s asked for" in reason(ramp, "last", seconds=500)
    assert "no 500 s without a gap" in reason(ramp, "best", seconds=500)
    holed = np.where((T >= 100) & (T < 130), np.nan, 200.0)
    recording = make_recording({"power": ("W", T, holed)})
    assert "a gap of 31.0 s" in reason(recording, "mean", "whole")
    assert "covers 90%" in reason(recording, "mean", "whole", max_gap_s=60, min_coverage=0.95)
    assert value(recording, "mean", "whole", max_gap_s=60, min_coverage=0.8).value == 200
    wrong = make_recording({"power": ("kcal", T, T)})
    assert "'kcal', not in W" in reason(wrong, "mean", "whole")


def test_a_late_start_counts_as_a_gap(make_recording):
    late = make_recording({"power": ("W", T[50:], T[50:])}, laps=(Segment("lap 2", 0, 300),))
    assert "a gap of 50.0 s" in reason(late, "mean")


def test_cleaning_counts_and_can_be_undone(make_recording):
    heart = 140 + 10 * np.sin(T / 30)
    dirty = heart.copy()
    dirty[20:23] = 0  # strap lost
    dirty[100] = 250  # cannot be true
    dirty[200] = 180 + 20  # a spike of one sample
    channel = make_recording({"heart_rate": ("bpm", T, dirty)}).channels["heart_rate"]
    found = clean(channel)
    assert {r.reason: r.index.tolist() for r in found.removals} == {
        "dropout to zero": [20, 21, 22],
        "outside 25 to 240 bpm": [100],
        "spike over 20 bpm": [200],
    }
    assert found.n_removed == 5
    assert np.isnan(found.channel.value[[20, 100, 200]]).all()
    assert np.array_equal(found.restored().value, dirty)
    assert found.restored(["spike over 20 bpm"]).value[200] == 200
    assert np.isnan(found.restored(["spike over 20 bpm"]).value[100])


def test_cleaning_leaves_a_clean_signal_and_a_lasting_step_alone(make_recording):
    heart = make_recording({"heart_rate": ("bpm", T, np.where(T < 150, 100.0, 150.0))})
    found = clean(heart.channels["heart_rate"])
    assert found.n_removed == 0
    assert found.remarks == ("1 steps over 20 bpm in 1 s kept",)
    smooth = make_recording({"heart_rate": ("bpm", T, 140 + 0.1 * T)}).channels["heart_rate"]
    assert clean(smooth).removals == ()
    assert clean(smooth).remarks == ()


def test_flat_muscle_oxygen_is_remarked_not_removed(make_recording):
    oxygen = 60 + 5 * np.sin(T / 10)
    oxygen[50:80] = 55.5
    channel = make_recording({"muscle_oxygen": ("%", T, oxygen)}).channels["muscle_oxygen"]
    assert clean(channel).remarks == ("1 flat stretches kept, the longest 29 s",)
    assert clean(channel, Limits(0, 100)).remarks == ()


def test_removals_are_told_with_the_value(make_recording):
    power = np.full(300, 200.0)
    power[10] = 9999
    taken = value(make_recording({"power": ("W", T, power)}), "mean", "whole")
    assert taken.value == 200
    assert taken.notes == ("1 samples of power removed: outside 0 to 2500 W",)


def test_from_file_to_value(write, fit_bytes):
    recording = read_recording(write("ride.fit", fit_bytes))
    expected = np.mean([200 + i % 50 for i in range(60, 240)])
    assert value(recording, "mean").value == pytest.approx(expected)
