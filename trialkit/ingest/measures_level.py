"""Measures of level and change of one channel in one segment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.ingest.measuring import Context, Measure, Taken
from trialkit.ingest.windows import NotMeasurable, Window, cut, moving_mean


def mean(window: Window, context: Context) -> Taken:
    """Plain mean of the samples."""
    return _level(window, float(np.mean(window.value)))


def time_weighted_mean(window: Window, context: Context) -> Taken:
    """Mean over time, by trapezes between samples; with the setting ``hold`` at 1, by steps."""
    window.require(2)
    time_s, value = window.time_s, window.value
    span = time_s[-1] - time_s[0]
    if context.setting("hold", 0.0):
        area = float(np.sum(value[:-1] * np.diff(time_s)))
    else:
        area = float(np.trapezoid(value, time_s))
    return _level(window, area / span)


def peak(window: Window, context: Context) -> Taken:
    """Highest sample, or highest mean of the recipe's seconds where it has a window."""
    if context.recipe.seconds is None:
        return _level(window, float(np.max(window.value)))
    return _level(window, float(np.max(stretches_of(window, context.seconds()))))


def minimum(window: Window, context: Context) -> Taken:
    """Lowest sample, or lowest mean of the recipe's seconds where it has a window."""
    if context.recipe.seconds is None:
        return _level(window, float(np.min(window.value)))
    return _level(window, float(np.min(stretches_of(window, context.seconds()))))


def best(window: Window, context: Context) -> Taken:
    """Highest mean over the recipe's seconds; with the setting ``lowest`` at 1, the lowest."""
    means = stretches_of(window, context.seconds())
    chosen = np.min(means) if context.setting("lowest", 0.0) else np.max(means)
    return _level(window, float(chosen))


def last(window: Window, context: Context) -> Taken:
    """Mean of the last seconds of the segment."""
    start = window.segment.end_s - context.seconds()
    return _part(window, context, start, window.segment.end_s)


def first(window: Window, context: Context) -> Taken:
    """Mean of the first seconds of the segment."""
    start = window.segment.start_s
    return _part(window, context, start, start + context.seconds())


def _level(window: Window, value: float) -> Taken:
    return Taken(value, window.channel.unit)


def stretches_of(window: Window, seconds: float) -> NDArray[np.float64]:
    """Means of all stretches of so many seconds, at least one of them."""
    means = moving_mean(window, seconds)
    if not means.size:
        raise NotMeasurable(
            f"no {seconds:g} s without a gap in segment {window.segment.name!r} "
            f"({window.segment.end_s - window.segment.start_s:.1f} s long)"
        )
    return means


def _part(window: Window, context: Context, start_s: float, end_s: float) -> Taken:
    length = window.segment.end_s - window.segment.start_s
    if end_s - start_s > length + 1e-9:
        raise NotMeasurable(f"{end_s - start_s:g} s asked for, the segment lasts {length:.1f} s")
    part = cut(window.channel, replace(window.segment, start_s=start_s, end_s=end_s))
    if part.coverage < context.recipe.min_coverage:
        raise NotMeasurable(
            f"{part.coverage:.0%} of the {end_s - start_s:g} s have data, under the "
            f"{context.recipe.min_coverage:.0%} that is needed"
        )
    return _level(part, float(np.mean(part.value)))


MEASURES: Final[Mapping[str, Measure]] = MappingProxyType(
    {
        f.__name__: f
        for f in (mean, time_weighted_mean, peak, minimum, best, last, first)
    }
)  # fmt: skip
