"""How each recording was cut and what was taken out of it, for the pictures of the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.app.curves import wanted
from trialkit.app.trials import Trial
from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.recordings import Channel, Recording, Segment
from trialkit.errors import UnanswerableError
from trialkit.report.content import CutChannel, CutRecording

MOST_POINTS: Final = 300
MOST_PANELS: Final = 16


def cut_channels(trial: Trial, recordings: Mapping[int, Recording]) -> tuple[CutChannel, ...]:
    """Recordings of every channel the outcomes use, with their segments and removed samples.

    Of the primary outcome's channel all recordings are shown; of a trial with very many periods
    those from which something was removed, and one as an example, as of every other channel from
    which something was removed.
    """
    primary = trial.plan.primary
    main = primary.measure.channel if primary is not None and primary.measure is not None else ""
    found = []
    for recipe in wanted(trial):
        panels = _panels(trial, recordings, recipe)
        shown = _chosen(panels, everything=recipe.channel == main)
        if shown:
            unit = recordings[shown[0].period].channels[recipe.channel].unit
            measured = _measured(trial, recipe.channel)
            found.append(CutChannel(recipe.channel, unit, shown, len(panels), measured))
    return tuple(found)


def _measured(trial: Trial, channel: str) -> tuple[str, ...]:
    """Give the segments from which outcomes of a channel are taken, in the order of the file."""
    recipes = [o.measure for o in trial.plan.outcomes if o.measure is not None]
    return tuple(dict.fromkeys(r.segment for r in recipes if r.channel == channel))


def _panels(
    trial: Trial, recordings: Mapping[int, Recording], recipe: MeasureRecipe
) -> tuple[CutRecording, ...]:
    return tuple(
        _panel(trial, period, recording, recording.channels[recipe.channel])
        for period, recording in sorted(recordings.items())
        if recipe.channel in recording.channels
    )


def _chosen(panels: tuple[CutRecording, ...], *, everything: bool) -> tuple[CutRecording, ...]:
    if everything and len(panels) <= MOST_PANELS:
        return panels
    if not everything and not any(p.removed_s.size for p in panels):
        return ()
    touched = [p for p in panels if p.removed_s.size][: MOST_PANELS - 1]
    example = [p for p in panels if not p.removed_s.size][:1]
    return tuple(sorted((*touched, *example), key=lambda p: p.period))


def _panel(trial: Trial, period: int, recording: Recording, channel: Channel) -> CutRecording:
    from trialkit.ingest.cleaning import clean

    cleaned = clean(channel)
    places = [r.index for r in cleaned.removals]
    index = np.concatenate(places) if places else np.empty(0, dtype=np.intp)
    values = [r.value for r in cleaned.removals]
    time_s, value = thinned(cleaned.channel.time_s, cleaned.channel.value)
    return CutRecording(
        period=period,
        time_s=time_s,
        value=value,
        segments=_segments(trial, recording, channel.name),
        removed_s=channel.time_s[index],
        removed=np.concatenate(values) if values else np.empty(0),
    )


def _segments(trial: Trial, recording: Recording, channel: str) -> tuple[Segment, ...]:
    """Give the declared segments that were found, and laps which an outcome names by themselves."""
    from trialkit.ingest.segments import WHOLE, find_segment, find_segments

    rules = trial.plan.segments
    found = list(find_segments(recording, rules))
    for name in set(_measured(trial, channel)) - {WHOLE, *(r.name for r in rules)}:
        try:
            found.append(find_segment(recording, name, rules))
        except UnanswerableError:
            continue
    return tuple(found)


def thinned(
    time_s: NDArray[np.float64], value: NDArray[np.float64], most: int = MOST_POINTS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Keep the lowest and the highest sample of each stretch, so that no peak is lost.

    A stretch without any valid sample keeps one that is missing: the line breaks there.

    Parameters
    ----------
    time_s, value : ndarray (k,)
        A channel; NaN where nothing is valid.
    most
        How many samples to keep at most.
    """
    if time_s.size <= most:
        return time_s, value
    kept: list[int] = []
    for part in np.array_split(np.arange(time_s.size), most // 2):
        valid = part[np.isfinite(value[part])]
        ends = (valid[value[valid].argmin()], valid[value[valid].argmax()]) if valid.size else part
        kept += sorted({int(i) for i in ends[:2]}) if valid.size else [int(part[0])]
    return time_s[kept], value[kept]
