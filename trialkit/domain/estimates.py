"""Results of an analysis: contrasts, noise, variance parts, sensitivity, decision."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Interval:
    """A two-sided interval; an end without bound is infinite."""

    low: float
    high: float
    level: float = 0.95


class Verdict(StrEnum):
    """The pre-declared decision; see ``trialkit.statistics.verdict`` for the rule."""

    HELPS = "helps"
    HELPS_SIZE_NOT_SETTLED = "helps, size not settled"
    NO_WORTHWHILE_DIFFERENCE = "no worthwhile difference"
    HURTS_SIZE_NOT_SETTLED = "hurts, size not settled"
    HURTS = "hurts"
    NOT_SETTLED = "not settled"


@dataclass(frozen=True, slots=True)
class Contrast:
    """Condition minus reference on the scale of the analysis, in the outcome's own direction.

    ``se``, ``df`` and ``p`` are None where the method has none. ``exact`` is None unless the
    method is a randomisation test; then ``smallest_p`` is the smallest p the design could have
    reached and ``mc_error`` the Monte-Carlo standard error of a sampled p.
    """

    condition: str
    reference: str
    method: str
    estimate: float
    interval: Interval
    se: float | None = None
    df: float | None = None
    p: float | None = None
    exact: bool | None = None
    smallest_p: float | None = None
    mc_error: float | None = None
    interval_90: Interval | None = None
    p_adjusted: float | None = None


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise seen in this trial, and whether the mean difference exceeds it.

    ``typical_error`` is the SD of one measurement from the trial's own residuals with ``df``;
    ``mdc_single`` is the minimal detectable change of one pair, ``mdc_mean`` that of the mean
    over the trial's pairs. ``planned`` and ``planned_df`` repeat the figure of the protocol;
    ``conflict_p`` is the two-sided F p of observed against planned noise.
    """

    typical_error: float
    df: float
    interval: Interval
    mdc_single: float
    mdc_mean: float
    exceeds_noise: bool
    planned: float | None = None
    planned_df: float | None = None
    conflict_p: float | None = None


@dataclass(frozen=True, slots=True)
class Variance:
    """Variance parts on the analysis scale; ``block`` is None where blocks are fixed effects."""

    block: float | None
    residual: float


@dataclass(frozen=True, slots=True)
class SensitivityRow:
    """The primary question under another defensible method, and whether the verdict moves."""

    method: str
    contrast: Contrast
    verdict: Verdict | None
    moves: bool
    note: str = ""


@dataclass(frozen=True, slots=True)
class Decision:
    """The verdict with its companions.

    Chances are posterior probabilities that the true effect, signed so that positive is better,
    is above +S, within, below -S. ``further_blocks`` is set for ``not settled``: the number of
    further blocks that would probably settle it, and ``chance_settled`` the chance that they do;
    ``further_blocks`` None then means that no number within the planned maximum would.
    """

    verdict: Verdict
    margin: float
    chance_better: float
    chance_within: float
    chance_worse: float
    reason: str
    further_blocks: int | None = None
    chance_settled: float | None = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """The whole answer for one outcome.

    ``contrasts`` are each condition against the reference by the chosen ``method``; ``why`` says
    in one sentence why that method. ``scale`` is ``raw`` or ``log`` (figures are then logs).
    ``decision`` is None without a margin.
    """

    outcome: str
    unit: str | None
    scale: str
    n: int
    blocks: int
    method: str
    why: str
    contrasts: tuple[Contrast, ...]
    noise: Noise | None
    variance: Variance
    phi: float | None = None
    sensitivity: tuple[SensitivityRow, ...] = ()
    decision: Decision | None = None
    notes: tuple[str, ...] = ()
