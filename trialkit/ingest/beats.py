"""Beat-to-beat intervals: reading them from text, and finding artefacts by a published rule."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from trialkit.domain.recordings import Channel, Recording
from trialkit.ingest.dialect import encoding_of
from trialkit.ingest.sources import ReadOptions, Source

_NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?")
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
        values.append(float(text.replace(",", ".")))
    interval = np.array(values)
    if np.median(interval) < 10:
        interval = interval * 1000
        notes.append("intervals were given in seconds")
    channel = Channel("rr_interval", "ms", np.cumsum(interval) / 1000, interval, "text")
    return Recording(
        source.name, source.sha256, "beat intervals", None, {"rr_interval": channel},
        notes=tuple(notes),
    )  # fmt: skip
