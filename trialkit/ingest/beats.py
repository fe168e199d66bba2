"""Beat-to-beat intervals: reading them from text, and finding artefacts by a published rule."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.recordings import Channel, Recording
from trialkit.ingest.dialect import encoding_of
from trialkit.ingest.sources import ReadOptions, Source

_NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?")
_LONGEST: Final = 1e6
_STEP, _PATIENCE = 0.2, 5
_HEADING: Final = re.compile(r"[#;A-Za-z\"].{0,200}")


def is_interval_text(source: Source) -> bool:
    """Whether the file is text with one number per line, each of the size of a beat interval."""
    if source.kind != "text":
        return False
    encoding, mark = encoding_of(source.data)
    head = source.data[mark : mark + 4096].decode(encoding, "replace")
    lines = [line.strip() for line in head.splitlines()[:-1] or head.splitlines()]
    values = [line for line in lines if line]
    while values and _HEADING.fullmatch(values[0]):
        values = values[1:]
    if len(values) < 5 or not all(_NUMBER.fullmatch(value) for value in values):
        return False
    middle = float(np.median([float(v.replace(",", ".")) for v in values]))
    return 0.25 <= middle <= 2.5 or 250 <= middle <= 2500


def read_intervals(source: Source, options: ReadOptions) -> Recording:
    """Read intervals between beats, one per line, in milliseconds or seconds.

    Raises
    ------
    UnreadableError
        When a line is not a number.
    """
    encoding, mark = encoding_of(source.data)
    lines = source.data[mark:].decode(encoding, "replace").splitlines()
    values: list[float] = []
    notes = []
    for number, line in enumerate(lines, start=1):
        text = line.strip()
        if not text or (not values and _HEADING.fullmatch(text)):
            continue
        if _NUMBER.fullmatch(text) is None:
            raise source.refuse(
                repr(text[:40]),
                "each line of an interval file holds one interval.",
                "remove the line, or export as CSV with column names.",
                line=number,
            )
        interval_here = float(text.replace(",", "."))
        if interval_here > _LONGEST:
            raise source.refuse(
                text[:40], "no two beats are that far apart.", "remove the line.", line=number
            )
        values.append(interval_here)
    interval = np.array([value for value in values if value > 0])
    if interval.size < len(values):
        notes.append(f"{len(values) - interval.size} intervals of zero were left out")
    if not interval.size:
        raise source.refuse(
            f"{len(values)} intervals, all zero", "nothing was measured.", "export it again."
        )
    if np.median(interval) < 10:
        interval = interval * 1000
        notes.append("intervals were given in seconds")
    channel = Channel("rr_interval", "ms", np.cumsum(interval) / 1000, interval, "text")
    return Recording(
        source.name, source.sha256, "beat intervals", None, {"rr_interval": channel},
        notes=tuple(notes),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Successive:
    """Differences between successive normal intervals, and how many intervals were normal.

    ``difference_ms`` (j,) holds only pairs in which both intervals are normal and follow each
    other without a gap.
    """

    difference_ms: NDArray[np.float64]
    n: int
    n_normal: int


def normal_beats(interval_ms: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell normal intervals (k,) from artefacts and ectopic beats by the 20 % rule.

    An interval is normal when it differs by no more than 20 % from the last normal one before it
    (Malik et al. 1989, Eur Heart J 10:1060; cited from memory). The first reference is the median
    of the first eleven, and after five refusals in a row the median of those five takes over, so
    that a lasting change of rate is followed.
    """
    normal = np.zeros(interval_ms.size, dtype=bool)
    reference = float(np.median(interval_ms[:11])) if interval_ms.size else 0.0
    refused: list[float] = []
    for i, interval in enumerate(interval_ms):
        if abs(interval - reference) <= _STEP * reference:
            normal[i], reference, refused = True, float(interval), []
            continue
        refused.append(float(interval))
        if len(refused) == _PATIENCE:
            reference, refused = float(np.median(refused)), []
    return normal


def successive_differences(
    time_s: NDArray[np.float64], interval_ms: NDArray[np.float64]
) -> Successive:
    """Differences between successive normal intervals.

    Parameters
    ----------
    time_s, interval_ms
        End of each interval in seconds and its length in milliseconds, both (k,), in time order.
    """
    normal = normal_beats(interval_ms)
    # Two beats are neighbours when the later one's interval fills the time between them.
    apart = 1000 * np.diff(time_s)
    neighbours = np.abs(apart - interval_ms[1:]) < 0.5 * interval_ms[1:]
    both = normal[1:] & normal[:-1] & neighbours
    return Successive(np.diff(interval_ms)[both], int(interval_ms.size), int(normal.sum()))
