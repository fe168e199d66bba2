"""Measures of muscle oxygen: levels, fall, recovery and a level relative to a recorded range.

Definitions are common practice in near-infrared work where no source is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

import numpy as np

from trialkit.domain.recordings import Segment
from trialkit.ingest.measures_level import stretches_of
from trialkit.ingest.measuring import Context, Measure, Taken
from trialkit.ingest.segments import WHOLE, find_segment
from trialkit.ingest.windows import NotMeasurable, Window, cut

REST, OCCLUSION = "rest", "occlusion"
_BASELINE_S, _NADIR_S, _RECOVERY_S, _EDGE_S = 30.0, 5.0, 120.0, 3.0
_LEAST_RANGE: Final = 10.0


def baseline_level(window: Window, context: Context) -> Taken:
    """Mean of the last seconds of a rest (30 s when no window is given)."""
    level = _end_level(window, context, context.seconds(_BASELINE_S))
    return Taken(level, window.channel.unit)


def nadir(window: Window, context: Context) -> Taken:
    """Lowest mean over the recipe's seconds (5 s when no window is given)."""
    low = float(np.min(stretches_of(window, context.seconds(_NADIR_S))))
    return Taken(low, window.channel.unit)


def desaturation_rate(window: Window, context: Context) -> Taken:
    """Slope from the start of the segment to its lowest sample, per second; a fall is negative.

    With a window, the slope over the first seconds only.
    """
    elapsed, value = window.elapsed_s, window.value
    last = float(elapsed[np.argmin(value)])
    until = min(last, context.recipe.seconds) if context.recipe.seconds else last
    inside = elapsed <= until + 1e-9
    if inside.sum() < 3:
        raise NotMeasurable(f"{int(inside.sum())} samples before the lowest one, and 3 are needed")
    gradient, _ = np.polyfit(elapsed[inside], value[inside], 1)
    return Taken(float(gradient), f"{window.channel.unit}/s", None, (f"over {until:.0f} s",))


def reoxygenation_half_time(window: Window, context: Context) -> Taken:
    """Seconds from the end of the effort to half of the recovery.

    From the mean of the effort's last 3 s to the highest 3 s mean within the recipe's seconds
    (120 s when no window is given) after it.
    """
    wait, end = context.seconds(_RECOVERY_S), window.segment.end_s
    after = context.window(Segment("recovery", end, end + wait))
    context.check(after)
    low = _end_level(window, context, _EDGE_S)
    high = float(np.max(stretches_of(after, _EDGE_S)))
    if high <= low:
        raise NotMeasurable(f"{window.channel.name} does not rise after the segment")
    half = (low + high) / 2
    reached = after.value >= half
    i = int(np.argmax(reached))
    if i == 0:
        return Taken(float(after.elapsed_s[0]), "s", None, ("half is reached at the first sample",))
    part = (half - after.value[i - 1]) / (after.value[i] - after.value[i - 1])
    step = after.elapsed_s[i] - after.elapsed_s[i - 1]
    note = f"from {low:.1f} to {high:.1f} {window.channel.unit}"
    return Taken(float(after.elapsed_s[i - 1] + part * step), "s", None, (note,))


def relative_level(window: Window, context: Context) -> Taken:
    """Mean level in percent of the range from the lowest level to rest.

    Rest is the last 30 s of the segment ``rest``. The lowest level is the lowest 5 s mean of the
    segment ``occlusion``, or of the whole recording where there is none (said in the notes).
    """
    high = _end_level(_of(context, REST), context, _BASELINE_S)
    has_occlusion = OCCLUSION in context.segments
    lowest = _of(context, OCCLUSION if has_occlusion else WHOLE)
    low = float(np.min(stretches_of(lowest, _NADIR_S)))
    if high - low < _LEAST_RANGE:
        raise NotMeasurable(
            f"the range from {low:.1f} to {high:.1f} {window.channel.unit} is under "
            f"{_LEAST_RANGE:g}: too small to be relative to"
        )
    level = 100 * (float(np.mean(window.value)) - low) / (high - low)
    origin = "occlusion" if has_occlusion else "lowest level of the recording (no occlusion)"
    return Taken(level, "%", None, (f"0 % is {low:.1f} ({origin}), 100 % is {high:.1f} (rest)",))


def _of(context: Context, name: str) -> Window:
    if name == WHOLE:
        return context.window(find_segment(context.recording, WHOLE))
    if name not in context.segments:
        raise NotMeasurable(f"no segment {name!r} is declared")
    return context.window(context.segments[name])


def _end_level(window: Window, context: Context, seconds: float) -> float:
    segment = window.segment
    start = max(segment.start_s, segment.end_s - seconds)
    part = cut(window.channel, replace(segment, start_s=start))
    if part.coverage < context.recipe.min_coverage or not part.time_s.size:
        raise NotMeasurable(
            f"{part.coverage:.0%} of the last {seconds:g} s of {segment.name!r} have data"
        )
    return float(np.mean(part.value))


MEASURES: Final[Mapping[str, Measure]] = MappingProxyType(
    {
        f.__name__: f
        for f in (baseline_level, nadir, desaturation_rate, reoxygenation_half_time, relative_level)
    }
)
