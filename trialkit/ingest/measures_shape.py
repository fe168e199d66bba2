"""Measures of course: area, drift, time to a level, rounds, splits, work, ratios."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.recordings import Segment
from trialkit.ingest.kinetics import serial_inflation
from trialkit.ingest.measuring import Context, Measure, Taken
from trialkit.ingest.windows import NotMeasurable, Window, cut

_LIKE_NEIGHBOURS: Final = "the standard error allows for the likeness of neighbouring samples"


def area(window: Window, context: Context) -> Taken:
    """Area over the setting ``baseline`` (0 when it is not set), by trapezes."""
    window.require(2)
    over = window.value - context.setting("baseline", 0.0)
    return Taken(float(np.trapezoid(over, window.time_s)), f"{window.channel.unit}·s")


def slope(window: Window, context: Context) -> Taken:
    """Least-squares slope over the segment, per minute."""
    window.require(3)
    gradient, error = _line(window.elapsed_s / 60, window.value, serial=True)
    return Taken(gradient, f"{window.channel.unit}/min", error, (_LIKE_NEIGHBOURS,))


def slope_per_round(window: Window, context: Context) -> Taken:
    """Least-squares slope of the rounds' means over their numbers, from three rounds on.

    With a window, the mean of the last seconds of each round.
    """
    levels = _round_levels(window, context, least=3)
    gradient, error = _line(np.arange(1.0, levels.size + 1), levels, serial=False)
    note = f"{levels.size} rounds"
    return Taken(gradient, f"{window.channel.unit}/round", error, (note,))


def round_change(window: Window, context: Context) -> Taken:
    """Level of the last round minus that of the first; a round's level as in slope_per_round."""
    levels = _round_levels(window, context, least=2)
    return Taken(
        float(levels[-1] - levels[0]), window.channel.unit, None, (f"{levels.size} rounds",)
    )


def drift(window: Window, context: Context) -> Taken:
    """Mean of the second half minus mean of the first; in percent of the first for a ratio.

    The setting ``percent`` at 1 asks for percent of a single channel, too.
    """
    middle = (window.segment.start_s + window.segment.end_s) / 2
    halves = [
        replace(window.segment, end_s=middle),
        replace(window.segment, start_s=middle),
    ]
    if "/" in context.recipe.channel:
        early, late = (_ratio_of(context, half)[0] for half in halves)
        return Taken(100 * (late / early - 1), "%")
    early, late = (_mean_of(cut(window.channel, half)) for half in halves)
    if context.setting("percent", 0.0):
        if early == 0:
            raise NotMeasurable("the first half has a mean of zero: no percentage of it")
        return Taken(100 * (late / early - 1), "%")
    return Taken(late - early, window.channel.unit)


def time_to_level(window: Window, context: Context) -> Taken:
    """Seconds until the signal first reaches the setting ``level``, from either side."""
    window.require(2)
    level, value, elapsed = context.setting("level"), window.value, window.elapsed_s
    reached = value >= level if value[0] < level else value <= level
    if not reached.any():
        raise NotMeasurable(
            f"{window.channel.name} never reaches {level:g} {window.channel.unit} "
            f"(it runs from {value.min():g} to {value.max():g})"
        )
    i = int(np.argmax(reached))
    if i == 0:
        return Taken(float(elapsed[0]), "s")
    part = (level - value[i - 1]) / (value[i] - value[i - 1])
    return Taken(float(elapsed[i - 1] + part * (elapsed[i] - elapsed[i - 1])), "s")


def work(window: Window, context: Context) -> Taken:
    """Mechanical work: power times time, each sample held until the next."""
    if window.channel.unit != "W":
        raise NotMeasurable(f"work needs power in W, not {window.channel.name}")
    hold = np.append(np.diff(window.time_s), window.spacing_s)
    return Taken(float(window.value @ hold) / 1000, "kJ")


def count(window: Window, context: Context) -> Taken:
    """Rounds of the segment; with the setting ``level``, stretches at or above it.

    A stretch counts when it lasts the recipe's seconds (any length without a window).
    """
    if "level" not in context.recipe.settings:
        rounds = len(context.rounds())
        if not rounds:
            raise NotMeasurable("no rounds are known, and the recipe sets no level to count at")
        return Taken(float(rounds), "reps")
    window.require(1)
    above = window.value >= context.setting("level")
    edges = np.diff(np.concatenate([[0], above.astype(np.int8), [0]]))
    first, after = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    length = window.time_s[after - 1] - window.time_s[first] + window.spacing_s
    least = context.recipe.seconds or 0.0
    return Taken(float(np.sum(length >= least - 1e-9)), "reps")


def finish_time(window: Window, context: Context) -> Taken:
    """Length of the segment; with the setting ``distance`` (m), the time to cover it."""
    if "distance" not in context.recipe.settings:
        return Taken(window.segment.end_s - window.segment.start_s, "s")
    return Taken(float(_times_at(context, window, np.array([context.setting("distance")]))[0]), "s")


def split_variability(window: Window, context: Context) -> Taken:
    """Coefficient of variation of split times: rounds, or every ``split`` metres (a setting)."""
    if "split" in context.recipe.settings:
        way = _distance(context, window)
        marks = np.arange(1.0, int((way[1][-1] + 1e-9) // context.setting("split")) + 1)
        times = np.diff(_times_at(context, window, marks * context.setting("split")), prepend=0.0)
    else:
        times = np.array([r.end_s - r.start_s for r in context.rounds()])
    if times.size < 3:
        raise NotMeasurable(f"{times.size} splits, and 3 are needed")
    return Taken(
        100 * float(np.std(times, ddof=1) / np.mean(times)), "%", None, (f"{times.size} splits",)
    )


def ratio(window: Window, context: Context) -> Taken:
    """Ratio of two channels' means, written ``a/b``; the noise of both is in its standard error.

    Standard error by linearisation (delta method): that of the mean of (a - ratio b) / mean b.
    """
    value, error = _ratio_of(context, window.segment)
    return Taken(value, _ratio_unit(context), error, (_LIKE_NEIGHBOURS,))


def _ratio_of(context: Context, segment: Segment) -> tuple[float, float]:
    above, _, below = context.recipe.channel.partition("/")
    if not below:
        raise NotMeasurable("a ratio needs two channels, written such as power/heart_rate")
    top, bottom = context.window(segment, above), context.window(segment, below)
    for part in (top, bottom):
        part.require(4)
        context.check(part)
    mean = _mean_of(bottom)
    if mean == 0:
        raise NotMeasurable(f"the mean of {below} is zero")
    value = _mean_of(top) / mean
    paired = np.interp(top.time_s, bottom.time_s, bottom.value)
    residual = (top.value - value * paired) / mean
    error = float(np.std(residual, ddof=1) / np.sqrt(residual.size)) * serial_inflation(residual)
    return value, error


def _ratio_unit(context: Context) -> str:
    above, _, below = context.recipe.channel.partition("/")
    channels = context.recording.channels
    return f"{channels[above].unit}/{channels[below].unit}"


def _mean_of(window: Window) -> float:
    window.require(1)
    return float(np.mean(window.value))


def _line(x: NDArray[np.float64], y: NDArray[np.float64], *, serial: bool) -> tuple[float, float]:
    """Least-squares slope and its standard error."""
    centred = x - x.mean()
    spread = float(centred @ centred)
    gradient = float(centred @ y) / spread
    residual = y - y.mean() - gradient * centred
    error = float(np.sqrt(residual @ residual / (residual.size - 2) / spread))
    return gradient, error * (serial_inflation(residual) if serial else 1.0)


def _round_levels(window: Window, context: Context, *, least: int) -> NDArray[np.float64]:
    rounds = context.rounds()
    if len(rounds) < least:
        raise NotMeasurable(
            f"{len(rounds)} rounds of {context.recipe.segment!r}, and {least} are needed"
        )
    levels = []
    for one in rounds:
        seconds = context.recipe.seconds
        start = one.start_s if seconds is None else max(one.start_s, one.end_s - seconds)
        part = cut(window.channel, replace(one, start_s=start))
        context.check(part)
        levels.append(_mean_of(part))
    return np.array(levels)


def _distance(context: Context, window: Window) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Elapsed seconds and metres covered since the start of the segment, both (k,)."""
    part = context.window(window.segment, "distance")
    part.require(2)
    context.check(part)
    channel = part.channel
    known = np.isfinite(channel.value)
    start = float(np.interp(part.segment.start_s, channel.time_s[known], channel.value[known]))
    covered = np.maximum.accumulate(part.value - start)
    return part.elapsed_s, covered


def _times_at(context: Context, window: Window, metres: NDArray[np.float64]) -> NDArray[np.float64]:
    elapsed, covered = _distance(context, window)
    if metres.size and metres[-1] > covered[-1]:
        raise NotMeasurable(f"{covered[-1]:.0f} m covered, {metres[-1]:g} m asked for")
    # Standing still repeats a distance; the first moment at it is meant.
    first = np.concatenate([[True], np.diff(covered) > 0])
    times: NDArray[np.float64] = np.interp(metres, covered[first], elapsed[first])
    return times


MEASURES: Final[Mapping[str, Measure]] = MappingProxyType(
    {
        f.__name__: f
        for f in (area, slope, slope_per_round, round_change, drift, time_to_level, work, count,
                  finish_time, split_variability, ratio)
    }
)  # fmt: skip
