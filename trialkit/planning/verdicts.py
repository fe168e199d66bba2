"""The pre-declared verdict for many trials at once, counted.

The rule is that of ``trialkit.statistics.verdict`` and is tested against it trial by trial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.estimates import Verdict
from trialkit.planning.fits import Intervals
from trialkit.planning.quantiles import Floats

ORDER = tuple(Verdict)
"""Codes of verdicts: their place in this order."""
_CODE = {verdict: code for code, verdict in enumerate(ORDER)}
NOT_SETTLED = _CODE[Verdict.NOT_SETTLED]

_BINS_PER_E = 400
_LOWEST, _HIGHEST = -12.0, 12.0
N_BINS = int((_HIGHEST - _LOWEST) * _BINS_PER_E)


def classify(intervals: Intervals, margin: float) -> NDArray[np.int8]:
    """Verdict codes (see :data:`ORDER`) of many trials, positive being better.

    Examples
    --------
    >>> d = np.array([2.0, 1.5, 0.1])
    >>> codes = classify(Intervals(d - 0.8, d + 0.8, d - 0.7, d + 0.7), 1.0)
    >>> [ORDER[code].value for code in codes]
    ['helps', 'helps, size not settled', 'no worthwhile difference']
    """
    code = np.full(intervals.low.shape, NOT_SETTLED, dtype=np.int8)
    within = (intervals.inner_low > -margin) & (intervals.inner_high < margin)
    for verdict, holds in (
        (Verdict.HURTS_SIZE_NOT_SETTLED, intervals.high < 0),
        (Verdict.HELPS_SIZE_NOT_SETTLED, intervals.low > 0),
        (Verdict.NO_WORTHWHILE_DIFFERENCE, within),
        (Verdict.HURTS, intervals.high < -margin),
        (Verdict.HELPS, intervals.low > margin),
    ):
        code[holds] = _CODE[verdict]  # the rule read first is written last
    return code


def wrong_verdicts(effect: float, margin: float) -> frozenset[Verdict]:
    """Verdicts that say something false of a true effect (positive is better).

    Examples
    --------
    >>> sorted(v.value for v in wrong_verdicts(0.5, 1.0) if "helps" in v.value)
    ['helps']
    """
    wrong = set()
    if effect <= margin:
        wrong.add(Verdict.HELPS)
    if effect <= 0:
        wrong.add(Verdict.HELPS_SIZE_NOT_SETTLED)
    if abs(effect) >= margin:
        wrong.add(Verdict.NO_WORTHWHILE_DIFFERENCE)
    if effect >= 0:
        wrong.add(Verdict.HURTS_SIZE_NOT_SETTLED)
    if effect >= -margin:
        wrong.add(Verdict.HURTS)
    return frozenset(wrong)


@dataclass(frozen=True, eq=False)
class Tally:
    """Counts over trials: whole numbers, so that their sum does not depend on the order.

    ``verdicts`` (effects, verdicts), ``rejected`` (effects,) trials whose interval excludes zero,
    ``widths`` (bins,) half-widths on a logarithmic scale, ``blocks_used`` (effects,) blocks summed
    over trials, ``trials`` all of them.
    """

    verdicts: NDArray[np.int64]
    rejected: NDArray[np.int64]
    widths: NDArray[np.int64]
    blocks_used: NDArray[np.int64]
    trials: int

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.verdicts + other.verdicts,
            self.rejected + other.rejected,
            self.widths + other.widths,
            self.blocks_used + other.blocks_used,
            self.trials + other.trials,
        )

    @property
    def median_half_width(self) -> float:
        """Median half-width (infinite when half of the trials have no answer)."""
        reach = self.trials / 2
        cumulated = np.cumsum(self.widths)
        if cumulated[-1] <= reach:
            return float("inf")
        bin_ = int(np.searchsorted(cumulated, reach, side="right"))
        before = cumulated[bin_ - 1] if bin_ else 0
        share = (reach - before) / self.widths[bin_]
        return float(np.exp(_LOWEST + (bin_ + share) / _BINS_PER_E))


def count_widths(half_width: Floats) -> NDArray[np.int64]:
    """Histogram of half-widths on a logarithmic scale, bins of a quarter of a percent."""
    place = (np.log(half_width[np.isfinite(half_width)]) - _LOWEST) * _BINS_PER_E
    bins = np.clip(place, 0, N_BINS - 1).astype(np.intp)
    return np.bincount(bins, minlength=N_BINS)
