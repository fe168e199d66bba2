"""How recordings were cut: small panels with the segments shaded and removed samples marked."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from trialkit.domain.recordings import Segment
from trialkit.report.content import CutChannel, CutRecording
from trialkit.report.figures import style
from trialkit.report.numbers import POINT, Numbers
from trialkit.report.words import pictures as words

COLUMNS: Final = 2
_PANEL_HEIGHT: Final = 1.05
_FRAME_HEIGHT: Final = 1.2
_ROOM: Final = 0.08
_SOLID: Final[dict[str, Any]] = {"color": style.MUTED, "linewidth": 0.7}
_DOTTED: Final[dict[str, Any]] = {**_SOLID, "linestyle": (0, (1, 2)), "linewidth": 1.0}
_HATCHED: Final[dict[str, Any]] = {
    "facecolor": "none",
    "edgecolor": style.MUTED,
    "hatch": "////",
    "lw": 0,
}


def cuts_height(channel: CutChannel) -> float:
    """Height in inches that a figure of these panels needs."""
    rows = -(-len(channel.recordings) // COLUMNS)
    return _FRAME_HEIGHT + rows * _PANEL_HEIGHT


def draw_cuts(figure: Figure, channel: CutChannel, *, numbers: Numbers = POINT) -> Figure:
    """Draw one panel per recording: the channel, how it was cut, its removed samples marked.

    Segments that are measured are shaded, edges of others dotted, rests hatched. A removed sample
    far outside is marked at the edge.
    """
    count = len(channel.recordings)
    rows, columns = -(-count // COLUMNS), min(COLUMNS, count)
    panels = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).flatten()
    low, high, room = _reach(channel)
    for ax, recording in zip(panels, channel.recordings, strict=False):
        _draw_panel(ax, recording, (low, high), channel.measured)
        style.bare(ax, numbers)
    for ax in panels[count:]:
        ax.remove()
        panels[count - columns].tick_params(labelbottom=True)
    panels[0].set_ylim(low - room, high + room)
    figure.supxlabel(words.RECORDING_AXIS, fontsize=style.TEXT)
    label = style.axis_title(words.channel_label(channel.channel), channel.unit)
    figure.supylabel(label, fontsize=style.TEXT)
    _key(figure, channel)
    return figure


def _reach(channel: CutChannel) -> tuple[float, float, float]:
    """Limits of the kept samples, and a little room; removed ones must not flatten the curves."""
    kept = np.concatenate([r.value[np.isfinite(r.value)] for r in channel.recordings])
    if not kept.size:
        return 0.0, 1.0, _ROOM
    return float(kept.min()), float(kept.max()), _ROOM * max(float(np.ptp(kept)), 1.0)


def _draw_panel(
    ax: Axes, recording: CutRecording, edges: tuple[float, float], measured: tuple[str, ...]
) -> None:
    for segment in recording.segments:
        _draw_segment(ax, segment, measured=segment.name in measured)
    ax.plot(recording.time_s / 60, recording.value, color=style.INK, linewidth=0.8, label="kept")
    ax.plot(
        recording.removed_s / 60,
        np.clip(recording.removed, *edges),
        linestyle="none",
        marker="x",
        markersize=5.5,
        markeredgewidth=1.6,
        color=style.COLOURS[1],
        label="removed",
    )
    ax.set_title(words.panel_title(recording.period, recording.removed.size), loc="left",
                 fontsize=style.SMALL, pad=2)  # fmt: skip


def _draw_segment(ax: Axes, segment: Segment, *, measured: bool) -> None:
    start, end = segment.start_s / 60, segment.end_s / 60
    if words.is_rest(segment.name):
        ax.axvspan(start, end, label=segment.name, **_HATCHED)
        return
    if measured:
        ax.axvspan(start, end, color=style.ZONE, lw=0, zorder=0, label=segment.name)
    line = _SOLID if measured or words.is_round(segment.name) else _DOTTED
    for second, name in ((start, segment.name), (end, f"{segment.name} ends")):
        ax.axvline(second, label=f"_{name}", **line)


def _key(figure: Figure, channel: CutChannel) -> None:
    names = {s.name for r in channel.recordings for s in r.segments}
    others = words.cut_beside(channel)
    handles: list[Patch | Line2D] = []
    if shaded := [n for n in channel.measured if n in names]:
        handles.append(Patch(facecolor=style.ZONE, label=", ".join(shaded)))
    if others:
        handles.append(Line2D([], [], label=", ".join(others), **_DOTTED))
    if any(map(words.is_round, names)):
        handles.append(Line2D([], [], label=words.ROUND_EDGES, **_SOLID))
    if any(map(words.is_rest, names)):
        handles.append(Patch(label=words.REST, **_HATCHED))
    if any(r.removed.size for r in channel.recordings):
        cross = Line2D([], [], color=style.COLOURS[1], marker="x", markeredgewidth=1.6,
                       linestyle="none", label=words.REMOVED)  # fmt: skip
        handles.append(cross)
    if handles:
        figure.legend(handles=handles, loc="outside upper left", ncols=2, frameon=False,
                      borderaxespad=0.0, handlelength=1.6)  # fmt: skip
