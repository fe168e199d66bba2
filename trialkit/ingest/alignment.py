"""Several devices on one clock: by their stamps, by a shared mark, or by a shared signal.

Nothing is shifted silently: every alignment says how it was found, by how much, and how sure it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.recordings import Channel, Event, Recording, Segment
from trialkit.errors import Problem, UnanswerableError
from trialkit.ingest.channels import unique_name
from trialkit.ingest.windows import usual_spacing

Floats = NDArray[np.float64]
_LEAST_OVERLAP_S: Final = 30.0
_LEAST_CORRELATION: Final = 0.5
_TOO_CLOSE: Final = 0.9
_SMOOTHED, _AROUND, _BLOCKS = 5, 3, 10


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where the second recording lies on the clock of the first.

    ``lag_s`` is added to the second recording's times. ``uncertainty_s`` is the standard error (or
    half a sample where nothing better is known); ``correlation`` and ``runner_up`` are the highest
    correlation and the highest one at a distinctly different lag, for an alignment by signal.
    """

    method: str
    lag_s: float
    uncertainty_s: float
    correlation: float | None = None
    runner_up: float | None = None
    notes: tuple[str, ...] = ()


def align_by_stamps(first: Recording, second: Recording) -> Alignment:
    """Trust both devices' clocks.

    Raises
    ------
    UnanswerableError
        When a recording has no start time, or the two do not overlap.
    """
    if first.started_at is None or second.started_at is None:
        name = first.name if first.started_at is None else second.name
        raise _refuse(
            name, "no start time", "the clocks cannot be compared.",
            "align by a shared mark or a shared signal.",
        )  # fmt: skip
    lag = (second.started_at - first.started_at).total_seconds()
    if lag > first.duration_s or lag + second.duration_s < 0:
        raise _refuse(
            second.name, f"a start {lag:.0f} s from that of {first.name}", "they do not overlap.",
            "check the devices' clocks and time zones; align by a mark or a signal.",
        )  # fmt: skip
    note = "the devices' clocks were trusted; nothing in the data was compared"
    return Alignment("stamps", lag, _half_sample(first, second), notes=(note,))


def align_by_mark(
    first: Recording, second: Recording, mark: str, *, second_mark: str | None = None
) -> Alignment:
    """Let one marked moment (a lap or an event of this name) be the same in both recordings.

    Raises
    ------
    UnanswerableError
        When a recording does not hold the mark.
    """
    lag = _moment(first, mark) - _moment(second, second_mark or mark)
    return Alignment("mark", lag, _half_sample(first, second), notes=(f"one moment: {mark!r}",))


def align_by_signal(
    first: Recording, second: Recording, channel: str, *, max_lag_s: float = 120.0
) -> Alignment:
    """Find the lag at which a channel that both devices recorded agrees best.

    Both signals are put on one grid and smoothed over five samples; the correlation is taken at
    every lag up to ``max_lag_s`` around the stamps' own lag (around 0 where there are none), and
    the top is refined by a parabola. The standard error is a jackknife over ten blocks of the
    shared time, so that it needs no assumption about the noise.

    Raises
    ------
    UnanswerableError
        When a recording does not hold the channel, they share too little time, the best
        correlation is under 0.5, or a distinctly different lag reaches nine tenths of it.
    """
    one, other = _channel(first, channel), _channel(second, channel)
    step = max(usual_spacing(one), usual_spacing(other))
    centre = 0.0
    if first.started_at is not None and second.started_at is not None:
        centre = (second.started_at - first.started_at).total_seconds()
    reach = round(max_lag_s / step)
    lags = centre + step * np.arange(-reach, reach + 1.0)
    correlation = lag_profile(one, other, lags)
    if np.isnan(correlation).all():
        raise _refuse(
            second.name, f"under {_LEAST_OVERLAP_S:g} s of {channel} shared with {first.name}",
            "no lag can be told from so little.", "align by stamps or a mark, or widen max_lag_s.",
        )  # fmt: skip
    best = int(np.nanargmax(correlation))
    peak = float(correlation[best])
    away = np.abs(np.arange(lags.size) - best) > _peak_half_width(correlation, best)
    runner_up = float(np.nanmax(np.append(correlation[away], -1.0)))
    _check_peak(second, channel, peak, runner_up)
    lag, error = _refined(one, other, float(lags[best]), step)
    notes = ("the best lag lies at the edge of those tried",) if best in (0, lags.size - 1) else ()
    return Alignment("signal", lag, error, peak, runner_up, notes)


def shifted(recording: Recording, lag_s: float) -> Recording:
    """Return the recording with ``lag_s`` added to every time, laps and events included."""
    return replace(
        recording,
        channels={
            name: replace(c, time_s=c.time_s + lag_s) for name, c in recording.channels.items()
        },
        laps=tuple(
            Segment(s.name, s.start_s + lag_s, s.end_s + lag_s, s.origin) for s in recording.laps
        ),
        events=tuple(Event(e.name, e.time_s + lag_s) for e in recording.events),
    )


def merged(first: Recording, second: Recording, alignment: Alignment) -> Recording:
    """Put the second recording's channels and events on the first one's clock, beside its own.

    A channel both hold keeps the first one's name; the second one's is numbered. Laps are those of
    the first, or of the second where the first has none.
    """
    moved = shifted(second, alignment.lag_s)
    channels: dict[str, Channel] = dict(first.channels)
    for name, channel in moved.channels.items():
        fresh = unique_name(name, list(channels))
        channels[fresh] = replace(channel, name=fresh, source=f"{second.name}: {channel.source}")
    sure = "" if alignment.correlation is None else f", correlation {alignment.correlation:.3f}"
    note = (
        f"{second.name} was put on this clock by {alignment.method}: {alignment.lag_s:+.2f} s "
        f"(standard error {alignment.uncertainty_s:.2f} s{sure})"
    )
    return replace(
        first,
        channels=channels,
        laps=first.laps or moved.laps,
        events=tuple(sorted((*first.events, *moved.events), key=lambda e: e.time_s)),
        notes=(*first.notes, note, *alignment.notes),
    )


def lag_profile(first: Channel, second: Channel, lags_s: Floats) -> Floats:
    """Correlation (j,) of two channels at each lag (j,) added to the second one's times.

    NaN where they share under 30 s, or one of them does not change.
    """
    step = max(usual_spacing(first), usual_spacing(second))
    found = []
    for lag in lags_s:
        x, y = _shared(first, second, float(lag), step)
        found.append(_correlation(x, y))
    return np.array(found)


def _shared(one: Channel, other: Channel, lag: float, step: float) -> tuple[Floats, Floats]:
    """Both signals on one smoothed grid over the time they share at a lag; empty if short."""
    a, b = _known(one), _known(other)
    if not a[0].size or not b[0].size:
        return np.empty(0), np.empty(0)
    low, high = max(a[0][0], b[0][0] + lag), min(a[0][-1], b[0][-1] + lag)
    if high - low < _LEAST_OVERLAP_S:
        return np.empty(0), np.empty(0)
    grid = np.arange(low, high, step)
    flat = np.full(_SMOOTHED, 1 / _SMOOTHED)
    x, y = np.interp(grid, *a), np.interp(grid - lag, *b)
    return np.convolve(x, flat, "valid"), np.convolve(y, flat, "valid")


def _correlation(x: Floats, y: Floats) -> float:
    if x.size < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return np.nan
    return float(np.corrcoef(x, y)[0, 1])


def _known(channel: Channel) -> tuple[Floats, Floats]:
    known = np.isfinite(channel.value)
    return channel.time_s[known], channel.value[known]


def _refined(one: Channel, other: Channel, lag: float, step: float) -> tuple[float, float]:
    """Lag between the grid's steps, and its jackknife standard error (at least step / 20)."""
    around = step * np.arange(-_AROUND, _AROUND + 1.0)
    pairs = [_shared(one, other, lag + shift, step) for shift in around]
    size = min(x.size for x, _ in pairs)
    blocks = np.arange(size) * _BLOCKS // max(size, 1)
    whole = _top(around, [_correlation(x[:size], y[:size]) for x, y in pairs])
    left_out = []
    for block in range(_BLOCKS):
        keep = blocks != block
        left_out.append(
            _top(around, [_correlation(x[:size][keep], y[:size][keep]) for x, y in pairs])
        )
    spread = np.array(left_out) - np.mean(left_out)
    error = float(np.sqrt((_BLOCKS - 1) / _BLOCKS * np.sum(spread**2)))
    return lag + whole, max(error, step / 20)


def _top(shifts: Floats, correlation: list[float]) -> float:
    """Place of the top of a parabola through the correlations, within the shifts tried."""
    height = np.array(correlation)
    known = np.isfinite(height)
    if known.sum() < 3:
        return 0.0
    bend, tilt, _ = np.polyfit(shifts[known], height[known], 2)
    return float(np.clip(-tilt / (2 * bend), shifts[0], shifts[-1])) if bend < 0 else 0.0


def _peak_half_width(correlation: Floats, best: int) -> int:
    """Steps from the peak to the first rise again on the way down, the farther of both sides."""
    widths = []
    for way in (1, -1):
        i = best
        while 0 <= i + way < correlation.size and not correlation[i + way] > correlation[i]:
            i += way
        widths.append(abs(i - best))
    return max(widths)


def _check_peak(second: Recording, channel: str, peak: float, runner_up: float) -> None:
    if peak < _LEAST_CORRELATION:
        raise _refuse(
            second.name, f"a best correlation of {peak:.2f} in {channel}",
            "that is too little to set a clock by.",
            "align by stamps or a shared mark.",
        )  # fmt: skip
    if runner_up > _TOO_CLOSE * peak:
        raise _refuse(
            second.name,
            f"two lags that agree almost equally well in {channel} ({peak:.3f}, {runner_up:.3f})",
            "a repeated effort fits itself at several lags.",
            "narrow max_lag_s, or align by stamps or a shared mark.",
        )


def _channel(recording: Recording, name: str) -> Channel:
    channel = recording.channels.get(name)
    if channel is None:
        raise _refuse(
            recording.name, f"no channel {name!r}",
            "the channels are: " + (", ".join(recording.channels) or "none") + ".",
            "name one that both recordings hold.",
        )  # fmt: skip
    return channel


def _moment(recording: Recording, mark: str) -> float:
    moments: Mapping[str, float] = {e.name: e.time_s for e in reversed(recording.events)} | {
        lap.name: lap.start_s for lap in reversed(recording.laps)
    }
    if mark not in moments:
        raise _refuse(
            recording.name, f"no mark {mark!r}",
            "the marks are: " + (", ".join(moments) or "none") + ".",
            "name an event or a lap, or align by stamps or signal.",
        )  # fmt: skip
    return moments[mark]


def _half_sample(first: Recording, second: Recording) -> float:
    spacings = [usual_spacing(c) for r in (first, second) for c in r.channels.values()]
    return max(spacings, default=1.0) / 2


def _refuse(where: str, found: str, wrong: str, fix: str) -> UnanswerableError:
    return UnanswerableError(Problem(where, found, wrong, fix))
