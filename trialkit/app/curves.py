"""The recordings of a trial as aligned curves, one per period, for the page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from trialkit.app.replaying import with_band
from trialkit.app.trials import Trial
from trialkit.domain.measures import CHANNELS, MeasureRecipe
from trialkit.domain.recordings import Channel, Recording, Segment
from trialkit.errors import TrialkitError
from trialkit.journal.records import Departure
from trialkit.report.content import ChannelCurves

STEP_S = 2.0
LEAD_S = 60.0


def condition_curves(
    trial: Trial, recordings: Mapping[int, Recording]
) -> tuple[ChannelCurves, ...]:
    """Curves of every channel the outcomes use, aligned at the start of their segment.

    Periods that are left out of the analysis are left out here.
    """
    primary = trial.plan.primary
    left_out = set(trial.state.periods_with(Departure.ABORTED))
    left_out |= set(trial.state.excluded(primary.name)) if primary else set()
    kept = {n: r for n, r in recordings.items() if n not in left_out}
    found = (_channel_curves(trial, kept, recipe) for recipe in wanted(trial))
    return tuple(curves for curves in found if curves is not None)


def wanted(trial: Trial) -> tuple[MeasureRecipe, ...]:
    """The first recipe of every channel the outcomes use, in the fixed order of channels."""
    recipes = [o.measure for o in trial.plan.outcomes if o.measure is not None]
    first = {r.channel: r for r in reversed(recipes) if r.channel in CHANNELS}
    return tuple(first[name] for name in CHANNELS if name in first)


def _channel_curves(
    trial: Trial, recordings: Mapping[int, Recording], recipe: MeasureRecipe
) -> ChannelCurves | None:
    rows = list(_cut(trial, recordings, recipe))
    if not rows:
        return None
    starts = [segment.start_s for _, _, segment in rows]
    length = float(np.median([segment.end_s - segment.start_s for _, _, segment in rows]))
    grid = np.arange(-min(LEAD_S, *starts), length + LEAD_S, STEP_S)
    delivered = trial.delivered()
    curves = ChannelCurves(
        channel=recipe.channel,
        unit=rows[0][1].unit,
        time_s=grid,
        values=np.vstack([_on_grid(c.time_s - s.start_s, c.value, grid) for _, c, s in rows]),
        conditions=tuple(delivered[period] for period, _, _ in rows),
        marks=_marks(trial, recordings, recipe, length),
        periods=tuple(period for period, _, _ in rows),
    )
    return with_band(trial, curves, max_gap_s=recipe.max_gap_s)


def _cut(
    trial: Trial, recordings: Mapping[int, Recording], recipe: MeasureRecipe
) -> Iterator[tuple[int, Channel, Segment]]:
    from trialkit.ingest.segments import find_segment

    delivered = trial.delivered()
    for period, recording in sorted(recordings.items()):
        if recipe.channel not in recording.channels or period not in delivered:
            continue
        try:
            cut = find_segment(recording, recipe.segment, trial.plan.segments)
        except TrialkitError:
            continue
        yield period, recording.channels[recipe.channel], cut


def _marks(
    trial: Trial, recordings: Mapping[int, Recording], recipe: MeasureRecipe, length: float
) -> tuple[tuple[float, str], ...]:
    """Where the segment starts and ends, and where rounds and other segments start inside it."""
    from trialkit.ingest.segments import find_segments

    inside: dict[str, list[float]] = {}
    for recording in recordings.values():
        found = {s.name: s for s in find_segments(recording, trial.plan.segments)}
        if recipe.segment in found:
            start = found.pop(recipe.segment).start_s
            for name, segment in found.items():
                if " rest " not in name:
                    label = name.removeprefix(f"{recipe.segment} ")
                    inside.setdefault(label, []).append(segment.start_s - start)
    middles = ((float(np.median(starts)), name) for name, starts in inside.items())
    between = [m for m in middles if STEP_S < m[0] < length - STEP_S]
    ends = ((0.0, f"{recipe.segment} starts"), (length, f"{recipe.segment} ends"))
    return tuple(sorted((*ends, *between)))


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
