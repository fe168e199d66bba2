"""The recordings of a trial as aligned curves, one per period, for the page."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from trialkit.app.ingesting import stored_path
from trialkit.app.trials import Trial
from trialkit.domain.measures import CHANNELS
from trialkit.domain.recordings import Recording
from trialkit.errors import TrialkitError
from trialkit.journal.records import Phase, RecordingStored
from trialkit.report.content import ChannelCurves

STEP_S = 2.0
LEAD_S = 60.0


def condition_curves(trial: Trial) -> tuple[ChannelCurves, ...]:
    """Curves of every channel the outcomes use, aligned at the start of their segment."""
    recordings = _recordings(trial)
    if not recordings:
        return ()
    found = []
    for channel, segment in _wanted(trial).items():
        curves = _channel_curves(trial, recordings, channel, segment)
        if curves is not None:
            found.append(curves)
    return tuple(found)


def _recordings(trial: Trial) -> dict[int, Recording]:
    """Read the stored recordings of trial periods; unreadable ones are left to ``verify``."""
    from trialkit.ingest.reading import read_recording

    found = {}
    for told in trial.state.of(RecordingStored):
        stored = told.record
        if stored.phase is not Phase.TRIAL or stored.period is None:
            continue
        try:
            found[stored.period] = read_recording(stored_path(trial, stored))
        except TrialkitError:
            continue
    return found


def _wanted(trial: Trial) -> Mapping[str, str]:
    """Channels of the declared measures, each with the segment it is cut to, in a fixed order."""
    recipes = [o.measure for o in trial.plan.outcomes if o.measure is not None]
    segments = {r.channel: r.segment for r in reversed(recipes) if r.channel in CHANNELS}
    return {name: segments[name] for name in CHANNELS if name in segments}


def _channel_curves(
    trial: Trial, recordings: Mapping[int, Recording], channel: str, segment: str
) -> ChannelCurves | None:
    from trialkit.ingest.segments import find_segment

    delivered = trial.delivered()
    starts, ends, rows = [], [], []
    for period, recording in sorted(recordings.items()):
        if channel not in recording.channels or period not in delivered:
            continue
        try:
            cut = find_segment(recording, segment, trial.plan.segments)
        except TrialkitError:
            continue
        rows.append((period, recording.channels[channel]))
        starts.append(cut.start_s)
        ends.append(cut.end_s)
    if not rows:
        return None
    length = float(np.median(np.subtract(ends, starts)))
    grid = np.arange(-min(LEAD_S, *starts), length + LEAD_S, STEP_S)
    values = np.vstack(
        [
            _on_grid(c.time_s - start, c.value, grid)
            for (_, c), start in zip(rows, starts, strict=True)
        ]
    )
    return ChannelCurves(
        channel=channel,
        unit=rows[0][1].unit,
        time_s=grid,
        values=values,
        conditions=tuple(delivered[period] for period, _ in rows),
        marks=((0.0, f"{segment} starts"), (length, f"{segment} ends")),
    )


def _on_grid(
    time_s: NDArray[np.float64], value: NDArray[np.float64], grid: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Mean of the samples in each grid cell; NaN where a cell has none."""
    cell = np.floor((time_s - grid[0]) / STEP_S + 0.5).astype(int)
    inside = (cell >= 0) & (cell < grid.size) & np.isfinite(value)
    count = np.bincount(cell[inside], minlength=grid.size)
    total = np.bincount(cell[inside], weights=value[inside], minlength=grid.size)
    mean: NDArray[np.float64] = np.full(grid.size, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    return mean
