"""Every measure on a signal whose answer is known, and its reason when it cannot be had."""

from math import log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.domain.measures import LEVEL_STATISTICS, STATISTICS, TIME_STATISTICS, MeasureRecipe
from trialkit.domain.recordings import Channel, Recording, Segment
from trialkit.ingest.beats import normal_beats, successive_differences
from trialkit.ingest.kinetics import serial_inflation
from trialkit.ingest.measuring import measure, measures

T = np.arange(0.0, 400.0)
EFFORT = Segment("effort", 100.0, 300.0)


def take(recording, channel, statistic, segments=(EFFORT,), **more):
    return measure(
        recording, MeasureRecipe(channel, "effort", statistic, **more), segments=segments
    )


def value(*args, **more):
    taken = take(*args, **more)
    assert taken.value is not None, taken.reason
    return taken


def reason(*args, **more):
    taken = take(*args, **more)
    assert taken.value is None, f"a number where none can be: {taken.value}"
    return taken.reason


@pytest.fixture
def made(make_recording):
    def make(**channels):
        units = {"power": "W", "heart_rate": "bpm", "muscle_oxygen": "%", "distance": "m",
                 "speed": "m/s"}  # fmt: skip
        return make_recording({n: (units[n], T[: len(v)], v) for n, v in channels.items()})

    return make


def rounds(n, length=20.0, rest=20.0, start=100.0):
    made = []
    for i in range(n):
        low = start + i * (length + rest)
        made.append(Segment(f"effort round {i + 1}", low, low + length))
    return (EFFORT, *made)


def test_every_declared_statistic_is_there_and_no_other():
    assert set(measures()) == set(STATISTICS)


@pytest.mark.parametrize("statistic", STATISTICS)
def test_units_are_those_the_protocol_counts_on(made, statistic):
    """Where a statistic gives a number on a rich recording, its unit is the declared kind."""
    s = np.clip(T - 100, 0, 200)
    oxygen = np.where(T < 300, 40 + 30 * np.exp(-s / 25), 70 - 30 * np.exp(-(T - 300) / 20))
    recording = made(
        muscle_oxygen=oxygen,
        power=np.full(400, 250.0),
        heart_rate=np.where(T < 300, 180 - 80 * np.exp(-s / 40), 120.0),
        distance=8.0 * T,
    )
    segments = (*rounds(4), Segment("rest", 40, 100))
    channel = {"work": "power", "ratio": "power/heart_rate"}.get(statistic, "muscle_oxygen")
    taken = take(recording, channel, statistic, segments, seconds=20, settings={"level": 50.0})
    if statistic in ("rmssd", "ln_rmssd"):
        assert "beat intervals in ms" in taken.reason
        return
    if statistic == "split_variability":
        assert taken.value == 0
        return
    if statistic == "rise_time_constant":  # only the first 20 s were asked for
        assert taken.reason
        return
    assert taken.value is not None, taken.reason
    if statistic in LEVEL_STATISTICS:
        assert taken.unit == "%"
    if statistic in TIME_STATISTICS:
        assert taken.unit == "s"


@pytest.mark.parametrize("statistic", STATISTICS)
@pytest.mark.parametrize("kind", ["no samples", "one sample", "all missing", "no channel"])
def test_no_measure_gives_a_number_from_nothing(make_recording, statistic, kind):
    t = {"no samples": T[:0], "one sample": T[:1] + 150}.get(kind, T)
    v = np.full(t.size, np.nan) if kind == "all missing" else np.full(t.size, 150.0)
    name = "speed" if kind == "no channel" else "heart_rate"
    unit = "m/s" if kind == "no channel" else "bpm"
    recording = make_recording({name: (unit, t, v)})
    taken = take(recording, "heart_rate", statistic, seconds=5, settings={"level": 100.0})
    if statistic == "finish_time" and kind != "no channel":
        assert taken.value == 200  # the segment's own length needs no sample
        return
    if statistic == "count" and kind in ("no samples", "all missing", "one sample"):
        assert taken.value in (None, 0, 1)
        return
    assert taken.value is None
    assert taken.reason


def test_area_with_and_without_baseline(made):
    recording = made(heart_rate=np.full(400, 150.0))
    assert value(recording, "heart_rate", "area").value == pytest.approx(150 * 199)
    above = value(recording, "heart_rate", "area", settings={"baseline": 100.0})
    assert above.value == pytest.approx(50 * 199)
    assert above.unit == "bpm·s"


def test_rounds(made):
    power = np.zeros(400)
    for i in range(4):
        power[100 + 40 * i : 120 + 40 * i] = 400 - 10 * i
    recording, segments = made(power=power), rounds(4)
    taken = value(recording, "power", "slope_per_round", segments)
    assert (taken.value, taken.unit) == (pytest.approx(-10), "W/round")
    assert value(recording, "power", "round_change", segments).value == pytest.approx(-30)
    late = value(recording, "power", "slope_per_round", segments, seconds=5)
    assert late.value == pytest.approx(-10)
    assert value(recording, "power", "count", segments).value == 4
    assert "0 rounds" in reason(recording, "power", "slope_per_round")
    assert "2 rounds" in reason(recording, "power", "slope_per_round", rounds(2))


def test_repetitions_over_a_level(made):
    speed = np.where((T % 20) < 6, 5.0, 1.0)
    recording = made(speed=speed)
    assert value(recording, "speed", "count", settings={"level": 3.0}).value == 10
    none = value(recording, "speed", "count", seconds=8, settings={"level": 3.0})
    assert none.value == 0
    assert "no rounds are known" in reason(recording, "speed", "count")


def test_drift_absolute_percent_and_of_a_ratio(made):
    heart = np.where(T < 200, 150.0, 156.0)
    recording = made(heart_rate=heart, power=np.full(400, 300.0))
    assert value(recording, "heart_rate", "drift").value == pytest.approx(6)
    percent = value(recording, "heart_rate", "drift", settings={"percent": 1})
    assert (percent.value, percent.unit) == (pytest.approx(4.0), "%")
    coupling = value(recording, "power/heart_rate", "drift")
    assert coupling.value == pytest.approx(100 * (150 / 156 - 1))


def test_time_to_level_from_either_side(made):
    rise = made(heart_rate=100 + np.clip(T - 100, 0, None) * 0.5)
    up = value(rise, "heart_rate", "time_to_level", settings={"level": 120.25})
    assert up.value == pytest.approx(40.5)
    fall = made(muscle_oxygen=80 - np.clip(T - 100, 0, 100) * 0.4)
    down = value(fall, "muscle_oxygen", "time_to_level", settings={"level": 60.0})
    assert down.value == pytest.approx(50.0)
    assert "never reaches 300" in reason(
        rise, "heart_rate", "time_to_level", settings={"level": 300}
    )
    assert "needs the setting 'level'" in reason(rise, "heart_rate", "time_to_level")


def test_work_and_finish(made):
    recording = made(power=np.full(400, 250.0), distance=5.0 * T)
    assert value(recording, "power", "work").value == pytest.approx(250 * 200 / 1000)
    assert "needs power" in reason(recording, "distance", "work")
    assert value(recording, "power", "finish_time").value == 200
    taken = value(recording, "distance", "finish_time", settings={"distance": 502.5})
    assert taken.value == pytest.approx(100.5)
    assert "995 m covered" in reason(
        recording, "distance", "finish_time", settings={"distance": 2000}
    )


def test_split_variability(made):
    even = made(distance=5.0 * T)
    taken = value(even, "distance", "split_variability", settings={"split": 100.0})
    assert taken.value == pytest.approx(0, abs=1e-9)
    assert taken.notes == ("9 splits",)
    stretched = np.concatenate([5.0 * T[:200], 995 + 4.0 * np.arange(1, 201)])
    taken = value(made(distance=stretched), "distance", "split_variability",
                  settings={"split": 100.0})  # fmt: skip
    times = np.interp(np.arange(0, 801, 100), stretched[100:300] - 500, T[:200])
    assert taken.value == pytest.approx(
        100 * np.std(np.diff(times), ddof=1) / np.diff(times).mean()
    )
    lengths = (
        EFFORT,
        *(Segment(f"effort round {i}", 30.0 * i, 30.0 * i + 20 + i) for i in (1, 2, 3)),
    )
    by_round = value(even, "distance", "split_variability", lengths)
    assert by_round.value == pytest.approx(100 / 22)
    assert "0 splits" in reason(even, "distance", "split_variability")


def test_ratio_carries_the_noise_of_both(made):
    rng = np.random.default_rng(5)
    estimates, errors = [], []
    for _ in range(300):
        recording = made(power=300 + rng.normal(0, 20, 400), heart_rate=150 + rng.normal(0, 6, 400))
        taken = value(recording, "power/heart_rate", "ratio")
        estimates.append(taken.value)
        errors.append(taken.uncertainty)
    assert taken.unit == "W/bpm"
    assert np.mean(estimates) == pytest.approx(2.0, abs=0.005)
    # 300 repeats know an SD to 4 %; four of these, plus the factor for serial likeness (>= 1).
    assert np.mean(errors) == pytest.approx(np.std(estimates), rel=0.16)
    assert "written such as" in reason(recording, "power", "ratio")
    assert "no channel 'speed'" in reason(recording, "power/speed", "ratio")


def test_standard_error_of_a_slope_allows_for_serial_likeness(made):
    rng, phi = np.random.default_rng(11), 0.8
    slopes, errors = [], []
    for _ in range(200):
        noise = rng.normal(0, 5, 400)
        for i in range(1, 400):
            noise[i] += phi * noise[i - 1]
        taken = value(made(power=250 + noise), "power", "slope")
        slopes.append(taken.value)
        errors.append(taken.uncertainty)
    # Plain least squares would be too small by sqrt((1 + phi) / (1 - phi)) = 3.
    assert 0.8 < np.mean(errors) / np.std(slopes) < 1.2
    assert serial_inflation(rng.normal(size=5000)) == pytest.approx(1.0, abs=0.05)


# --- heart rate ------------------------------------------------------------------------------


def test_start_and_recovery(made):
    heart = np.where(T < 300, 180.0, 180.0 - np.clip(T - 300, 0, 60) * 0.5)
    heart[100:105] = 120
    recording = made(heart_rate=heart)
    assert value(recording, "heart_rate", "start_value").value == 120
    taken = value(recording, "heart_rate", "recovery")
    # Mean of 355..359 s against mean of 295..299 s.
    assert taken.value == pytest.approx(180 - np.mean(heart[355:360]))
    assert "60 s after" in reason(made(heart_rate=heart[:320]), "heart_rate", "recovery")


@settings(max_examples=25, derandomize=True, deadline=None)
@given(st.floats(15, 60), st.floats(20, 80), st.integers(0, 1000))
def test_rise_time_constant_is_found_again(tau, amplitude, seed):
    noise = np.random.default_rng(seed).normal(0, 1.0, 400)
    heart = 100 + amplitude * -np.expm1(-np.clip(T - 100, 0, None) / tau) + noise
    channel = Channel("heart_rate", "bpm", T, heart)
    recording = Recording("r", "0" * 64, "FIT", None, {"heart_rate": channel})
    taken = take(recording, "heart_rate", "rise_time_constant")
    # Five standard errors: 25 fixed examples, none may be missed by luck.
    assert abs(taken.value - tau) < 5 * taken.uncertainty
    assert taken.uncertainty < 0.25 * tau


def test_rise_time_constant_says_when_the_data_cannot_tell(made):
    rng = np.random.default_rng(2)
    flat = made(heart_rate=150 + rng.normal(0, 2, 400))
    assert (
        "unsure" in (text := reason(flat, "heart_rate", "rise_time_constant")) or "no time" in text
    )
    line = made(heart_rate=100 + 0.2 * T)
    assert "no time constant within" in reason(line, "heart_rate", "rise_time_constant")
    constant = made(heart_rate=np.full(400, 150.0))
    assert "does not change" in reason(constant, "heart_rate", "rise_time_constant")
    assert "a fit needs 8" in reason(line, "heart_rate", "rise_time_constant", seconds=5)


def beats(interval_ms, **more):
    ends = 100 + np.cumsum(interval_ms) / 1000
    channel = Channel("rr_interval", "ms", ends, interval_ms)
    recording = Recording("r", "0" * 64, "FIT", None, {"rr_interval": channel})
    return take(
        recording, "rr_interval", "rmssd", (Segment("effort", 100, ends[-1] + 0.001),), **more
    )


def test_artefacts_do_not_enter_rmssd():
    rng = np.random.default_rng(4)
    clean = 900 + rng.normal(0, 20, 200)
    expected = np.sqrt(np.mean(np.diff(clean) ** 2))
    assert beats(clean).value == pytest.approx(expected)
    dirty = clean.copy()
    dirty[50], dirty[120] = 1800, 450  # a missed beat, an early beat
    taken = beats(dirty)
    assert taken.value == pytest.approx(expected, rel=0.05)
    assert (
        "2 of 200 intervals left out by the 20 % rule (Malik et al. 1989); 195" in taken.notes[-1]
    )
    assert np.flatnonzero(~normal_beats(dirty)).tolist() == [50, 120]


def test_too_many_artefacts_void_rmssd():
    interval = np.where(np.arange(200) % 4 == 0, 1300.0, 900.0)
    assert "75% of 200 intervals are normal" in beats(interval).reason


def test_a_lasting_change_of_rate_is_followed():
    interval = np.concatenate([np.full(50, 1000.0), np.full(50, 700.0)])
    assert normal_beats(interval).sum() == 95
    assert normal_beats(np.array([])).size == 0


def test_differences_never_cross_a_pause():
    interval = np.array([800.0, 810, 805, 900, 905, 910])
    ends = np.cumsum(interval) / 1000
    ends[3:] += 30  # half a minute without beats
    found = successive_differences(ends, interval)
    assert found.difference_ms.tolist() == [10, -5, 5, 5]


def test_ln_rmssd(make_recording):
    interval = np.tile([800.0, 820.0], 100)
    ends = 100 + np.cumsum(interval) / 1000
    recording = make_recording({"rr_interval": ("ms", ends, interval)})
    whole = (Segment("effort", 100, ends[-1] + 0.01),)
    assert value(recording, "rr_interval", "ln_rmssd", whole).value == pytest.approx(log(20))
    even = make_recording({"rr_interval": ("ms", ends, np.full(200, 810.0))})
    assert "has no logarithm" in reason(even, "rr_interval", "ln_rmssd", whole)


# --- muscle oxygen ---------------------------------------------------------------------------


@pytest.fixture
def oxygen(made):
    """70 % at rest, a fall of 0.5 %/s to 30 %, held to 300 s, back with a half-time of 20 s."""
    level = 70 - 0.5 * np.clip(T - 100, 0, 80)
    after = T >= 300
    level[after] = 30 + 40 * -np.expm1(-log(2) * (T[after] - 299.5) / 20)
    return made(muscle_oxygen=level)


def test_oxygen_levels_and_rates(oxygen):
    rest = (EFFORT, Segment("rest", 20, 100))
    assert value(oxygen, "muscle_oxygen", "nadir").value == pytest.approx(30)
    taken = value(oxygen, "muscle_oxygen", "desaturation_rate")
    assert (taken.value, taken.unit) == (pytest.approx(-0.5, rel=0.02), "%/s")
    first = value(oxygen, "muscle_oxygen", "desaturation_rate", seconds=30)
    assert first.value == pytest.approx(-0.5)
    recipe = MeasureRecipe("muscle_oxygen", "rest", "baseline_level")
    assert measure(oxygen, recipe, segments=rest).value == pytest.approx(70)
    back = value(oxygen, "muscle_oxygen", "reoxygenation_half_time", seconds=90)
    # The highest 3 s mean within 90 s of recovery is 95 % of the way: a little under 20 s.
    assert back.value == pytest.approx(18.5, abs=0.8)
    relative = value(oxygen, "muscle_oxygen", "relative_level", rest)
    mean = np.mean(oxygen.channels["muscle_oxygen"].value[100:300])
    assert relative.value == pytest.approx(100 * (mean - 30) / 40)
    assert "no occlusion" in relative.notes[-1]


def test_relative_level_with_a_recorded_occlusion(made):
    level = np.where(T < 50, 70.0, np.where(T < 100, 10.0, 40.0))
    segments = (EFFORT, Segment("rest", 0, 50), Segment("occlusion", 55, 100))
    taken = value(made(muscle_oxygen=level), "muscle_oxygen", "relative_level", segments)
    assert taken.value == pytest.approx(50.0)
    assert "0 % is 10.0 (occlusion), 100 % is 70.0 (rest)" in taken.notes


def test_oxygen_reasons(oxygen, made):
    assert "no segment 'rest'" in reason(oxygen, "muscle_oxygen", "relative_level")
    flat = made(muscle_oxygen=60 + 0.01 * np.sin(T))
    segments = (EFFORT, Segment("rest", 20, 100))
    assert "too small" in reason(flat, "muscle_oxygen", "relative_level", segments)
    falling = made(muscle_oxygen=90 - 0.1 * T)
    assert "does not rise" in reason(
        falling, "muscle_oxygen", "reoxygenation_half_time", seconds=90
    )
    rising = made(muscle_oxygen=30 + 0.1 * T)
    assert "before the lowest one" in reason(rising, "muscle_oxygen", "desaturation_rate")
    cut = made(muscle_oxygen=oxygen.channels["muscle_oxygen"].value[:300])
    assert reason(cut, "muscle_oxygen", "reoxygenation_half_time")


# --- properties ------------------------------------------------------------------------------


@settings(max_examples=60, derandomize=True)
@given(
    st.lists(st.floats(1, 2400), min_size=20, max_size=120),
    st.floats(0.2, 2.0),
    st.sampled_from(["mean", "time_weighted_mean", "peak", "minimum", "best", "last", "first"]),
)
def test_levels_lie_within_the_samples_and_shift_with_them(values, step, statistic):
    v = np.array(values)
    t = np.arange(v.size) * step

    def taken(signal):
        channel = Channel("output", "W", t, signal)
        recording = Recording("r", "0" * 64, "CSV", None, {"output": channel})
        recipe = MeasureRecipe("output", "whole", statistic, seconds=5 * step)
        return measure(recording, recipe).value

    found = taken(v)
    assert v.min() - 1e-6 <= found <= v.max() + 1e-6
    assert taken(v + 100) == pytest.approx(found + 100, rel=1e-9)
