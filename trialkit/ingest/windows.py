"""One channel over one segment, with how much of the segment its samples cover."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.recordings import Channel, Segment


class NotMeasurable(Exception):  # noqa: N818 - not an error of the user, but a reason to report
    """Why a measure cannot be had from this window; never leaves the measuring door."""


@dataclass(frozen=True, eq=False)
class Window:
    """Samples of one channel inside one segment, valid ones only.

    ``time_s`` and ``value`` (k,) lie from ``segment.start_s`` up to ``segment.end_s``.
    ``coverage`` is the share of the segment within reach of a sample, ``longest_gap_s`` the longest
    stretch without one (the edges included), ``spacing_s`` the usual distance of two samples.
    """

    channel: Channel
    segment: Segment
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    coverage: float
    longest_gap_s: float
    spacing_s: float

    @property
    def elapsed_s(self) -> NDArray[np.float64]:
        """Seconds (k,) since the segment began."""
        return self.time_s - self.segment.start_s

    def require(self, samples: int) -> None:
        """Refuse a window with fewer samples than the measure needs."""
        if self.time_s.size < samples:
            raise NotMeasurable(
                f"{self.time_s.size} valid samples of {self.channel.name} in segment "
                f"{self.segment.name!r}, and {samples} are needed"
            )


def usual_spacing(channel: Channel) -> float:
    """Median seconds from one sample to the next, 1 s where there are fewer than two."""
    return float(np.median(np.diff(channel.time_s))) if channel.time_s.size > 1 else 1.0


def cut(channel: Channel, segment: Segment) -> Window:
    """Take the valid samples of a channel inside a segment.

    A gap is open where two samples are more than twice the channel's usual spacing apart, or the
    first or last sample lies more than one spacing from the segment's edge; of an open gap only one
    spacing counts as covered.
    """
    inside = (channel.time_s >= segment.start_s) & (channel.time_s < segment.end_s)
    all_times = channel.time_s[inside]
    spacing = usual_spacing(channel)
    valid = np.isfinite(channel.value[inside])
    time_s, value = all_times[valid], channel.value[inside][valid]
    length = segment.end_s - segment.start_s
    if not time_s.size or length <= 0:
        return Window(channel, segment, time_s, value, 0.0, max(length, 0.0), spacing)
    # The last sample stands for the spacing that follows it, so the end edge starts after that.
    edges = np.array([time_s[0] - segment.start_s, segment.end_s - time_s[-1] - spacing])
    gaps = np.concatenate([np.diff(time_s), np.clip(edges, 0, None)])
    is_edge = np.arange(gaps.size) >= gaps.size - 2
    # Segments seldom begin on a sample: less than one spacing at an edge is no gap.
    open_gap = gaps > np.where(is_edge, spacing, 2 * spacing) + 1e-9
    coverage = float(np.clip(1 - np.sum(gaps[open_gap] - spacing) / length, 0, 1))
    return Window(channel, segment, time_s, value, coverage, float(gaps.max()), spacing)


def moving_mean(window: Window, seconds: float) -> NDArray[np.float64]:
    """Time-weighted means of all whole stretches of ``seconds`` that begin at a sample (j,).

    The signal is held until the next sample. Empty when the window is shorter than the stretch.
    """
    time_s, value = window.time_s, window.value
    if not time_s.size:
        return np.empty(0)
    hold = np.append(np.diff(time_s), window.spacing_s)
    # A gap is not filled with the last value before it: it holds for the usual spacing only.
    hold = np.where(hold > 2 * window.spacing_s, window.spacing_s, hold)
    area = np.concatenate([[0.0], np.cumsum(value * hold)])
    held = np.concatenate([[0.0], np.cumsum(hold)])
    knots = np.append(time_s, time_s[-1] + window.spacing_s)
    starts = time_s[time_s + seconds <= knots[-1] + 1e-9]
    total = np.interp(starts + seconds, knots, area) - np.interp(starts, knots, area)
    weight = np.interp(starts + seconds, knots, held) - np.interp(starts, knots, held)
    # A stretch that is half a gap is no stretch of that length.
    full = weight >= 0.9 * seconds
    means: NDArray[np.float64] = total[full] / weight[full]
    return means
