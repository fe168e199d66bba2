"""Which recordings are shown with their cuts, and how few points that takes."""

from dataclasses import replace

import numpy as np
import pytest

from trialkit.app import page_cuts
from trialkit.app.page_cuts import cut_channels, thinned
from trialkit.app.recordings import stored_recordings
from trialkit.app.trials import open_trial


@pytest.fixture(scope="module")
def demo(demo_root):
    trial = open_trial(demo_root)
    return trial, stored_recordings(trial)


def spoilt(recording, channel, *seconds):
    """The recording with values that cannot be true at these seconds."""
    found = recording.channels[channel]
    value = found.value.copy()
    value[np.searchsorted(found.time_s, seconds)] = 9000.0
    return replace(recording, channels={**recording.channels, channel: replace(found, value=value)})


def test_every_recording_of_the_primary_channel_is_shown(demo):
    (power,) = cut_channels(*demo)
    assert (power.channel, power.unit, power.of) == ("power", "W", 16)
    assert [r.period for r in power.recordings] == list(range(1, 17))
    assert all("effort" in {s.name for s in r.segments} for r in power.recordings)
    assert all(r.time_s.size <= page_cuts.MOST_POINTS for r in power.recordings)


def test_other_channels_are_shown_where_something_was_removed_with_one_example(demo):
    trial, recordings = demo
    touched = {**recordings, 7: spoilt(recordings[7], "heart_rate", 100, 150)}
    heart, power = cut_channels(trial, touched)
    assert (heart.channel, power.channel) == ("heart_rate", "power")
    assert [r.period for r in heart.recordings] == [1, 7]
    assert list(heart.recordings[1].removed) == [9000.0, 9000.0]
    assert heart.of == 16


def test_of_very_many_recordings_the_touched_ones_and_an_example_are_shown(demo, monkeypatch):
    trial, recordings = demo
    monkeypatch.setattr(page_cuts, "MOST_PANELS", 4)
    touched = {n: spoilt(r, "power", 30) if n > 10 else r for n, r in recordings.items()}
    (power,) = cut_channels(trial, touched)
    assert [r.period for r in power.recordings] == [1, 11, 12, 13]


def test_thinning_keeps_peaks_and_gaps():
    time_s = np.arange(10_000.0)
    value = np.sin(time_s / 500)
    value[4321] = 5.0
    value[6000:6600] = np.nan
    kept_s, kept = thinned(time_s, value, most=300)
    assert kept.size <= 300
    assert np.nanmax(kept) == 5.0
    assert np.nanmin(kept) == np.nanmin(value)
    assert np.isnan(kept[(kept_s >= 6100) & (kept_s < 6500)]).all()
    assert (np.diff(kept_s) > 0).all()


def test_a_short_recording_is_not_thinned():
    time_s = np.arange(100.0)
    assert thinned(time_s, time_s)[1] is time_s
