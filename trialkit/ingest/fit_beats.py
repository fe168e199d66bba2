"""Beats in a FIT file: intervals written while recording, heart rate handed over afterwards."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.recordings import Channel
from trialkit.ingest.channels import time_order

_PAUSE_S: Final = 5.0
_TICKS: Final = 1024  # of the strap's clock in a second
_ROUND: Final = 4096  # ticks after which its short stamps (12 bits) begin anew


def beat_times(
    beats: list[tuple[float, float]], zero: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Put beats on the clock: each ends one interval after the last, from the first stamp on.

    Parameters
    ----------
    beats
        For each beat the stamp of the last record before it, and its interval in milliseconds.
    zero
        Stamp at which the recording's time is zero.

    Returns
    -------
    tuple of arrays
        End of each beat in seconds and its interval in milliseconds, both (k,). After a pause (the
        clock is more than 5 s ahead of the sum) the sum starts anew at the clock, else a lost strap
        would shift everything after it.
    """
    times: list[float] = []
    now: float | None = None
    for stamp, ms in beats:
        clock = stamp - zero if np.isfinite(stamp) else 0.0
        start = clock if now is None or clock - now > _PAUSE_S else now
        now = start + ms / 1000
        times.append(now)
    order = time_order(np.array(times, dtype=np.float64))
    values = np.array([ms for _, ms in beats], dtype=np.float64)
    return np.array(times, dtype=np.float64)[order.keep], values[order.keep]


@dataclass(slots=True)
class UploadedHeartRate:
    """Heart rate that a strap stored under water and handed over afterwards (``hr`` messages).

    The first message ties the strap's clock to the stamp; later ones give the last 12 bits of the
    strap's clock only, which the decoder unrolls from zero: the difference is made up here.
    """

    samples: list[tuple[float, float]] = field(default_factory=list)
    _stamp: float = np.nan
    _base: float = np.nan
    _shift: float | None = None

    def add(self, frame: Any) -> None:
        """Take one message: its rates and the moments they belong to."""
        rates, moments, short = [], [], False
        for item in frame.fields:
            values = item.value if isinstance(item.value, tuple) else (item.value,)
            if item.name == "timestamp" and item.value is not None:
                self._stamp = float(item.value)
            elif item.name == "filtered_bpm":
                rates = list(values)
            elif item.name == "event_timestamp":
                short = short or item.field_def is None
                moments += [float(v) for v in values if isinstance(v, int | float)]
        if short:
            moments = self._unrolled(moments)
        elif moments:
            self._base, self._shift = moments[-1], None
            moments = [self._stamp + moment - self._base for moment in moments]
        known = [(m, float(r)) for m, r in zip(moments, rates, strict=False) if r is not None]
        self.samples += [(moment, rate) for moment, rate in known if np.isfinite(moment)]

    def _unrolled(self, moments: list[float]) -> list[float]:
        """Moments on the FIT clock; the decoder added the base stamp to ticks counted from zero."""
        if not moments:
            return []
        if self._shift is None:
            ticks = (moments[0] - self._stamp) * _TICKS
            rounds = np.ceil((self._base * _TICKS - ticks) / _ROUND)
            self._shift = float(rounds * _ROUND / _TICKS - self._base)
        return [moment + self._shift for moment in moments]

    def channel(self, zero: float) -> Channel:
        """The heart rate on the recording's clock."""
        time_s = np.array([moment for moment, _ in self.samples]) - zero
        order = time_order(time_s)
        rate = np.array([rate for _, rate in self.samples])
        return Channel("heart_rate", "bpm", time_s[order.keep], rate[order.keep], "hr messages")
