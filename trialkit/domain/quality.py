"""What was read from a recording, what was taken out of it, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from trialkit.domain.measures import MeasuredValue
from trialkit.domain.recordings import Integrity, Segment


@dataclass(frozen=True, slots=True)
class ChannelQuality:
    """How good one channel of a recording is.

    ``n_samples`` counts all samples, ``n_invalid`` those the instrument marked as such. ``removed``
    pairs a reason with how many samples were taken out for it. ``coverage`` is the share of the
    recording within reach of a sample that is left; ``remarks`` tell what is odd but was kept.
    """

    name: str
    unit: str
    source: str
    n_samples: int
    n_invalid: int
    spacing_s: float
    coverage: float
    longest_gap_s: float
    removed: tuple[tuple[str, int], ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def n_removed(self) -> int:
        """How many samples were taken out in all."""
        return sum(n for _, n in self.removed)


@dataclass(frozen=True, slots=True)
class RecordingQuality:
    """One recording on one page: the file, its channels, how it was cut, what was measured.

    ``missing`` pairs a declared segment that was not found with the reason; ``values`` maps an
    outcome to the value taken for it, or to the reason why there is none.
    """

    name: str
    format: str
    sha256: str
    started_at: datetime | None
    duration_s: float
    integrity: Integrity
    fault: str | None
    channels: tuple[ChannelQuality, ...]
    segments: tuple[Segment, ...]
    missing: tuple[tuple[str, str], ...]
    values: Mapping[str, MeasuredValue]
    notes: tuple[str, ...]
