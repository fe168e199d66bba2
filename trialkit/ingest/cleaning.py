"""Taking out what cannot be true, one counted and reversible removal at a time.

Ranges and steps are common practice (see ``channels.LIMITS``); a removed sample becomes a gap and
is never replaced by an invented value.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.recordings import Channel
from trialkit.ingest.channels import LIMITS, Limits, kind_of


@dataclass(frozen=True, eq=False)
class Removal:
    """Samples taken out for one reason: their places in the channel and what they held.

    ``index`` (k,) counts samples of the channel from 0, ``value`` (k,) is in the channel's unit.
    """

    reason: str
    index: NDArray[np.intp]
    value: NDArray[np.float64]

    @property
    def n(self) -> int:
        """How many samples were removed for this reason."""
        return int(self.index.size)


@dataclass(frozen=True, eq=False)
class CleanedChannel:
    """A channel with its removals as gaps, and remarks on samples that were kept but are odd."""

    channel: Channel
    removals: tuple[Removal, ...]
    remarks: tuple[str, ...] = ()

    @property
    def n_removed(self) -> int:
        """How many samples were removed in all."""
        return sum(removal.n for removal in self.removals)

    def restored(self, reasons: Iterable[str] | None = None) -> Channel:
        """Put samples back: all of them, or those removed for the given reasons."""
        wanted = None if reasons is None else set(reasons)
        value = self.channel.value.copy()
        for removal in self.removals:
            if wanted is None or removal.reason in wanted:
                value[removal.index] = removal.value
        return replace(self.channel, value=value)


def clean(channel: Channel, limits: Limits | None = None) -> CleanedChannel:
    """Remove implausible values, dropouts to zero and single-sample spikes from a channel.

    Parameters
    ----------
    channel
        The channel as recorded.
    limits
        What its values can be; by default the house's limits for a channel of this name. A channel
        without limits is returned as it is.

    Returns
    -------
    CleanedChannel
        The channel with NaN where something was removed. Flat stretches and lasting steps are kept
        and remarked on, because they can be real.
    """
    limits = LIMITS.get(kind_of(channel.name)) if limits is None else limits
    if limits is None:
        return CleanedChannel(channel, ())
    value = channel.value.copy()
    removals: list[Removal] = []
    outside = np.isfinite(value) & ((value < limits.low) | (value > limits.high))
    dropout = outside & (value == 0)
    for reason, mask in (
        ("dropout to zero", dropout),
        (f"outside {limits.low:g} to {limits.high:g} {channel.unit}", outside & ~dropout),
    ):
        _remove(value, mask, reason, removals)
    if limits.step is not None:
        spikes = _spikes(channel.time_s, value, limits)
        _remove(value, spikes, f"spike over {limits.step:g} {channel.unit}", removals)
    cleaned = replace(channel, value=value)
    return CleanedChannel(cleaned, tuple(removals), tuple(_remarks(cleaned, limits)))


def _remove(
    value: NDArray[np.float64], mask: NDArray[np.bool_], reason: str, removals: list[Removal]
) -> None:
    index = np.flatnonzero(mask)
    if index.size:
        removals.append(Removal(reason, index, value[index].copy()))
        value[index] = np.nan


def _spikes(
    time_s: NDArray[np.float64], value: NDArray[np.float64], limits: Limits
) -> NDArray[np.bool_]:
    """Single samples that jump away by more than the step and back again at once."""
    spike = np.zeros(value.size, dtype=bool)
    known = np.flatnonzero(np.isfinite(value))
    if known.size < 3 or limits.step is None:
        return spike
    v, t = value[known], time_s[known]
    before, after = np.diff(v)[:-1], np.diff(v)[1:]
    # Only neighbours close in time say anything about a jump.
    near = (t[2:] - t[:-2]) <= 2 * max(limits.step_s, float(np.median(np.diff(t)))) + 1e-9
    away = (np.abs(before) > limits.step) & (np.abs(after) > limits.step)
    back = np.sign(before) == -np.sign(after)
    settled = np.abs(v[2:] - v[:-2]) <= limits.step
    spike[known[1:-1][near & away & back & settled]] = True
    return spike


def _remarks(channel: Channel, limits: Limits) -> Iterable[str]:
    known = np.isfinite(channel.value)
    time_s, value = channel.time_s[known], channel.value[known]
    if value.size < 2:
        return
    if limits.step is not None:
        # The earlier sample to compare with: the last one at least step_s before.
        earlier = np.searchsorted(time_s, time_s - limits.step_s, side="right") - 1
        has = earlier >= 0
        gap = time_s[has] - time_s[earlier[has]]
        jump = np.abs(value[has] - value[earlier[has]])
        steps = int(np.sum((jump > limits.step) & (gap <= 2 * limits.step_s)))
        if steps:
            yield f"{steps} steps over {limits.step:g} {channel.unit} in {limits.step_s:g} s kept"
    if limits.usual is not None:
        low, high = limits.usual
        if odd := int(np.sum((value < low) | (value > high))):
            yield f"{odd} samples outside the usual {low:g} to {high:g} {channel.unit} kept"
    if limits.flat_s is not None:
        longest, count = _flat(time_s, value, limits.flat_s)
        if count:
            yield f"{count} flat stretches kept, the longest {longest:.0f} s"


def _flat(
    time_s: NDArray[np.float64], value: NDArray[np.float64], flat_s: float
) -> tuple[float, int]:
    starts = np.flatnonzero(np.concatenate([[True], np.diff(value) != 0]))
    ends = np.append(starts[1:] - 1, value.size - 1)
    length = time_s[ends] - time_s[starts]
    long = length >= flat_s
    return (float(length[long].max()) if long.any() else 0.0), int(long.sum())
