"""Two devices on one clock: the lag is found again, its certainty is honest, doubt is refused."""

from datetime import timedelta

import numpy as np
import pytest

from trialkit.domain.recordings import Event, Segment
from trialkit.errors import UnanswerableError
from trialkit.ingest.alignment import (
    align_by_mark,
    align_by_signal,
    align_by_stamps,
    lag_profile,
    merged,
    shifted,
)

T = np.arange(0.0, 600.0)
U = np.arange(0.0, 450.0)


def signal(t):
    return 140 + 20 * np.sin(t / 37) + 10 * np.sin(t / 11 + 1) + 8 * np.sin(t / 5.3)


@pytest.fixture
def pair(make_recording):
    """A watch and a muscle sensor that both see the heart rate; the second began ``lag`` later."""

    def make(lag, noise=0.0, seed=1, **more):
        rng = np.random.default_rng(seed)
        first = signal(T) + rng.normal(0, noise, T.size)
        second = signal(U + lag) + rng.normal(0, noise, U.size)
        return (
            make_recording({"heart_rate": ("bpm", T, first)}, started_at=None),
            make_recording(
                {"heart_rate": ("bpm", U, second), "muscle_oxygen": ("%", U, U * 0 + 60)},
                started_at=None, **more,
            ),
        )  # fmt: skip

    return make


@pytest.mark.parametrize("lag", [-40.0, 0.0, 12.0, 73.0])
def test_lag_is_found_again(pair, lag):
    found = align_by_signal(*pair(lag), "heart_rate")
    assert found.lag_s == pytest.approx(lag, abs=0.05)
    assert found.correlation > 0.999
    assert found.runner_up < 0.5
    assert found.method == "signal"


def test_its_standard_error_is_honest(pair):
    rng = np.random.default_rng(8)
    errors, stated = [], []
    for seed in range(40):
        lag = rng.uniform(-30, 60)
        found = align_by_signal(*pair(lag, noise=4.0, seed=seed), "heart_rate", max_lag_s=90)
        errors.append(found.lag_s - lag)
        stated.append(found.uncertainty_s)
    # 40 repeats know a root mean square to about 11 %; three of these, and the stated mean's own.
    assert np.sqrt(np.mean(np.square(errors))) / np.mean(stated) == pytest.approx(1.0, abs=0.45)


def test_a_repeated_effort_that_fits_at_several_lags_is_refused(make_recording):
    square = np.where((T // 30) % 2 == 0, 100.0, 300.0)
    first = make_recording({"power": ("W", T, square)}, started_at=None)
    second = make_recording({"power": ("W", U, square[: U.size])}, started_at=None)
    with pytest.raises(UnanswerableError, match="almost equally well"):
        align_by_signal(first, second, "power")
    near = align_by_signal(first, second, "power", max_lag_s=20)
    assert near.lag_s == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("noise", "too little to set a clock"),
        ("flat", "no lag can be told"),
        ("none", "no channel"),
    ],
)
def test_signals_that_do_not_agree_are_refused(make_recording, change, says):
    rng = np.random.default_rng(3)
    first = make_recording({"heart_rate": ("bpm", T, signal(T))})
    value = {"noise": rng.normal(0, 1, U.size), "flat": np.full(U.size, 150.0)}.get(change, U)
    name = "power" if change == "none" else "heart_rate"
    second = make_recording({name: ("bpm", U, value)})
    with pytest.raises(UnanswerableError, match=says):
        align_by_signal(first, second, "heart_rate")


def test_stamps(make_recording, pair):
    first = make_recording({"heart_rate": ("bpm", T, T)})
    later = make_recording(
        {"power": ("W", U, U)}, started_at=first.started_at + timedelta(seconds=90)
    )
    found = align_by_stamps(first, later)
    assert (found.method, found.lag_s, found.uncertainty_s) == ("stamps", 90, 0.5)
    apart = make_recording({"power": ("W", U, U)}, started_at=first.started_at + timedelta(days=1))
    with pytest.raises(UnanswerableError, match="do not overlap"):
        align_by_stamps(first, apart)
    with pytest.raises(UnanswerableError, match="no start time"):
        align_by_stamps(first, pair(0)[1])


def test_signal_lag_is_looked_for_around_the_stamps(make_recording):
    first = make_recording({"heart_rate": ("bpm", T, signal(T))})
    start = first.started_at + timedelta(seconds=100)  # this clock is 3 s wrong
    second = make_recording({"heart_rate": ("bpm", U, signal(U + 103))}, started_at=start)
    found = align_by_signal(first, second, "heart_rate", max_lag_s=10)
    assert found.lag_s == pytest.approx(103, abs=0.05)


def test_marks_and_merging(make_recording):
    first = make_recording(
        {"power": ("W", T, T)}, laps=(Segment("lap 1", 0, 60), Segment("lap 2", 60, 600))
    )
    second = make_recording(
        {"power": ("W", U, U), "muscle_oxygen": ("%", U, U)}, events=(Event("press", 20),)
    )
    found = align_by_mark(first, second, "lap 2", second_mark="press")
    assert found.lag_s == 40
    both = merged(first, second, found)
    assert set(both.channels) == {"power", "power_2", "muscle_oxygen"}
    assert both.channels["muscle_oxygen"].time_s[0] == 40
    assert both.events == (Event("press", 60),)
    assert both.laps == first.laps
    assert any("+40.00 s" in note for note in both.notes)
    with pytest.raises(UnanswerableError, match="no mark"):
        align_by_mark(first, second, "lap 9")


def test_shifting_there_and_back(pair):
    _, second = pair(0, laps=(Segment("lap 1", 5, 10),), events=(Event("x", 7),))
    back = shifted(shifted(second, 12.5), -12.5)
    assert back.laps == second.laps
    assert back.events == second.events
    assert np.array_equal(back.channels["heart_rate"].time_s, U)


def test_profile_peaks_at_the_lag(pair):
    first, second = pair(25.0)
    lags = np.arange(20.0, 31.0)
    profile = lag_profile(first.channels["heart_rate"], second.channels["heart_rate"], lags)
    assert lags[np.argmax(profile)] == 25
