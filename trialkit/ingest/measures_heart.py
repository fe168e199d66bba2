"""Measures of heart rate and beat intervals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import log
from types import MappingProxyType
from typing import Final

import numpy as np

from trialkit.ingest.beats import successive_differences
from trialkit.ingest.kinetics import fit_mono_exponential, half_time, serial_inflation
from trialkit.ingest.measuring import Context, Measure, Taken
from trialkit.ingest.windows import NotMeasurable, Window, cut

_AVERAGE_S: Final = 5.0


def start_value(window: Window, context: Context) -> Taken:
    """Mean of the first seconds of the segment (5 s when no window is given)."""
    seconds = context.seconds(_AVERAGE_S)
    segment = window.segment
    part = cut(
        window.channel, replace(segment, end_s=min(segment.start_s + seconds, segment.end_s))
    )
    context.check(part)
    return Taken(float(np.mean(part.value)), window.channel.unit)


def recovery(window: Window, context: Context) -> Taken:
    """Fall from the end of the segment to so many seconds later (60 s when no window is given).

    Both levels are means of the 5 s before the moment, or of the setting ``average_s``.
    """
    wait, average = context.seconds(60.0), context.setting("average_s", _AVERAGE_S)
    end = window.segment.end_s
    levels = []
    for moment in (end, end + wait):
        stretch = replace(window.segment, start_s=moment - average, end_s=moment)
        part = context.window(stretch)
        if not part.time_s.size or part.coverage < 0.5:
            raise NotMeasurable(
                f"no {window.channel.name} in the {average:g} s before {moment - end:g} s after "
                "the end of the segment"
            )
        levels.append(float(np.mean(part.value)))
    return Taken(levels[0] - levels[1], window.channel.unit)


def rise_time_constant(window: Window, context: Context) -> Taken:
    """Time constant of one exponential rise (or fall) from the start of the segment.

    With a window only its seconds are fitted; the setting ``delay_s`` is a known delay. Void where
    the data cannot tell it: too few samples, no change, a time constant longer than the fitted
    stretch, or a standard error of more than half of it.
    """
    span = min(context.recipe.seconds or np.inf, window.segment.end_s - window.segment.start_s)
    inside = window.elapsed_s < span
    elapsed, value = window.elapsed_s[inside], window.value[inside]
    if elapsed.size < 8:
        raise NotMeasurable(f"{elapsed.size} samples, and a fit needs 8")
    if np.ptp(value) == 0:
        raise NotMeasurable(f"{window.channel.name} does not change")
    fit = fit_mono_exponential(elapsed, value, delay_s=context.setting("delay_s", 0.0))
    tau, wider = float(fit.parameters[2]), serial_inflation(fit.residual)
    error = float(fit.standard_errors[2]) * wider
    if not fit.converged or not 0 < tau <= span:
        raise NotMeasurable(f"no time constant within the {span:.0f} s fitted: no level is reached")
    if not error <= tau / 2:
        raise NotMeasurable(f"the time constant is too unsure: {tau:.1f} s with SE {error:.1f} s")
    low, high = (tau + wider * (edge - tau) for edge in fit.interval(2))
    baseline, amplitude = fit.parameters[:2]
    notes = (
        f"95 % interval {low:.1f} to {high:.1f} s, allowing for the likeness of neighbours",
        f"from {baseline:.1f} by {amplitude:+.1f} {window.channel.unit}; "
        f"half-time {half_time(tau):.1f} s; residual SD {fit.residual_sd:.2f}",
    )
    return Taken(tau, "s", error, notes)


def rmssd(window: Window, context: Context) -> Taken:
    """Root mean square of successive differences of normal beat intervals (Task Force 1996)."""
    value, note = _rmssd(window, context)
    return Taken(value, "ms", None, (note,))


def ln_rmssd(window: Window, context: Context) -> Taken:
    """Natural logarithm of the RMSSD in milliseconds."""
    value, note = _rmssd(window, context)
    if value <= 0:
        raise NotMeasurable("all intervals are equal: RMSSD is zero and has no logarithm")
    return Taken(log(value), "ln ms", None, (note,))


def _rmssd(window: Window, context: Context) -> tuple[float, str]:
    if window.channel.unit != "ms":
        raise NotMeasurable(f"RMSSD needs beat intervals in ms, not {window.channel.name}")
    window.require(5)
    found = successive_differences(window.time_s, window.value)
    share = found.n_normal / found.n
    if share < context.recipe.min_coverage:
        raise NotMeasurable(
            f"{share:.0%} of {found.n} intervals are normal, under the "
            f"{context.recipe.min_coverage:.0%} that is needed"
        )
    if not found.difference_ms.size:
        raise NotMeasurable("no two normal intervals follow each other")
    root = float(np.sqrt(np.mean(found.difference_ms**2)))
    return root, (
        f"{found.n - found.n_normal} of {found.n} intervals left out by the 20 % rule "
        f"(Malik et al. 1989); {found.difference_ms.size} differences"
    )


MEASURES: Final[Mapping[str, Measure]] = MappingProxyType(
    {f.__name__: f for f in (start_value, recovery, rise_time_constant, rmssd, ln_rmssd)}
)
