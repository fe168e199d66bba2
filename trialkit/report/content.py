"""What a page is made of: plain values which the application fills and the templates read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.estimates import Contrast, Estimate
from trialkit.domain.outcomes import Outcome, Role
from trialkit.domain.plans import Plan
from trialkit.domain.recordings import Segment


class Status(StrEnum):
    """What became of a period."""

    DONE = "done"
    MISSED = "missed"
    ABORTED = "aborted"
    EXCLUDED = "excluded"
    PLANNED = "planned"


class Kind(StrEnum):
    """What a period was for; only trial periods are analysed."""

    TRIAL = "trial"
    FAMILIARISATION = "familiarisation"
    BASELINE = "baseline"


@dataclass(frozen=True, eq=False)
class NullDistribution:
    """Mean differences the design could have given if the condition did nothing.

    ``values`` has shape (m,), on the scale of the analysis; ``observed`` is the trial's own.
    ``exact`` is true when p counts all ``orders`` the scheme could have drawn; of a great many
    ``values`` may still hold a sample.
    """

    values: NDArray[np.float64]
    observed: float
    p: float
    exact: bool
    orders: int = 0


@dataclass(frozen=True, eq=False)
class OutcomeResult:
    """One outcome and its answer; ``why_none`` says why there is no estimate.

    ``condition`` names the contrast the verdict is about where there are several. ``declared`` is
    false for a plain table: its margin was given with the request, not before the first period.
    """

    outcome: Outcome
    estimate: Estimate | None
    why_none: str = ""
    null: NullDistribution | None = None
    condition: str = ""
    declared: bool = True

    @property
    def contrast(self) -> Contrast:
        """The contrast the page is about: the named one, or the first."""
        if self.estimate is None:
            raise ValueError(f"there is no estimate of {self.outcome.name}")
        found = (c for c in self.estimate.contrasts if c.condition == self.condition)
        return next(found, self.estimate.contrasts[0])

    @property
    def other_contrasts(self) -> tuple[Contrast, ...]:
        """Contrasts beside the one the page is about; no verdict is given on them."""
        if self.estimate is None:
            return ()
        return tuple(c for c in self.estimate.contrasts if c is not self.contrast)


@dataclass(frozen=True, slots=True)
class PeriodRow:
    """One period: what was planned, what happened, what was measured.

    ``values`` maps outcome names to measured values in the outcome's own unit (no logs taken);
    an absent or None value is missing. ``delivered`` is None until the period has been held.
    ``rest`` is the rest drawn before it in whole ``rest_unit``, ``since_h`` the hours from the
    start of the trial period before to its own; ``covariates`` is what was noted beside outcomes.
    """

    number: int
    block: int
    session: int
    planned_condition: str
    delivered_condition: str | None
    planned_start: datetime | None = None
    actual_start: datetime | None = None
    status: Status = Status.DONE
    values: Mapping[str, float | None] = field(default_factory=dict)
    note: str = ""
    kind: Kind = Kind.TRIAL
    rest: int | None = None
    rest_unit: str = ""
    since_h: float | None = None
    covariates: Mapping[str, float | str] = field(default_factory=dict)

    def value(self, outcome: str) -> float | None:
        """The measured value of an outcome, if there is a usable one."""
        return self.values.get(outcome) if self.status is Status.DONE else None


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time in which two sets of curves differ, and their largest difference in it."""

    start_s: float
    end_s: float
    largest: float


@dataclass(frozen=True, eq=False)
class CurveBand:
    """Mean difference of two sets of curves with a simultaneous band; arrays of shape (n_grid,).

    ``p`` comes from the largest difference over the trial's own re-randomisations; ``stretches``
    are where curves differ by that test. NaN where not all curves have data.
    """

    difference: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    level: float = 0.95
    p: float | None = None
    stretches: tuple[Stretch, ...] = ()


@dataclass(frozen=True, eq=False)
class ChannelCurves:
    """Curves of one channel, aligned so that ``time_s`` 0 is the start of the effort.

    ``values`` has shape (n_periods, n_grid), NaN where nothing was recorded; ``conditions``
    names the condition of each row, ``periods`` its period. ``marks`` are (second, label) pairs
    such as rounds. ``no_band`` says why there is no band.
    """

    channel: str
    unit: str
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]
    conditions: tuple[str, ...]
    marks: tuple[tuple[float, str], ...] = ()
    band: CurveBand | None = None
    periods: tuple[int, ...] = ()
    no_band: str = ""


@dataclass(frozen=True, eq=False)
class CutRecording:
    """One channel of one recording: what was kept, how it was cut, what was taken out.

    ``time_s`` and ``value`` have shape (k,), NaN where nothing is left; ``removed_s`` and
    ``removed`` hold the samples that were taken out. Seconds count from the recording's start.
    """

    period: int
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    segments: tuple[Segment, ...]
    removed_s: NDArray[np.float64]
    removed: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CutChannel:
    """The recordings of one channel that are shown, of how many there are.

    ``measured`` names the segments the outcomes of this channel are taken from.
    """

    channel: str
    unit: str
    recordings: tuple[CutRecording, ...]
    of: int
    measured: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LogEntry:
    """A deviation, correction or note: when it was entered, about which period, by whom."""

    when: str
    text: str
    period: int | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class Amendment:
    """A change of the plan after the order was drawn; ``late``: after the data were opened."""

    when: str
    field: str
    before: str
    after: str
    reason: str
    late: bool = False


@dataclass(frozen=True, slots=True)
class Harm:
    """A symptom, injury or unintended effect, with the condition it came under."""

    period: int | None
    condition: str | None
    text: str
    severity: str = ""


@dataclass(frozen=True, slots=True)
class BlindingRecord:
    """What one person thought of the conditions.

    Of ``guesses`` made by ``who``, ``correct`` were right; ``unknown`` counts how often they said
    that they did not know. ``chance_correct`` is the share expected from blind guessing,
    ``expectation`` what they expected before.
    """

    who: str
    guesses: int = 0
    correct: int = 0
    chance_correct: float = 0.5
    expectation: str = ""
    unknown: int = 0


@dataclass(frozen=True, slots=True)
class QualityRow:
    """What a careful reader wants to know about the data of one period or file."""

    item: str
    finding: str
    ok: bool = True
    period: int | None = None


@dataclass(frozen=True, slots=True)
class SealFacts:
    """What ties the page to the plan made before the first period.

    ``seed`` is told once every period was opened; until then ``why_no_seed`` says why not.
    """

    protocol_sha256: str
    commitment: str = ""
    seed: int | None = None
    method: str = ""
    frozen_at: str = ""
    journal_head: str = ""
    why_no_seed: str = "not opened"


@dataclass(frozen=True, eq=False)
class PageContent:
    """Everything one report tells; the application fills it from plan, journal and analysis.

    ``harms`` None means nobody was asked, an empty tuple that there were none.
    ``generated_at`` is printed as it stands: the page never looks at the clock.
    """

    plan: Plan
    estimates: tuple[OutcomeResult, ...]
    periods: tuple[PeriodRow, ...]
    generated_at: str
    curves: tuple[ChannelCurves, ...] = ()
    deviations: tuple[LogEntry, ...] = ()
    amendments: tuple[Amendment, ...] = ()
    harms: tuple[Harm, ...] | None = None
    blinding: tuple[BlindingRecord, ...] = ()
    limits: tuple[str, ...] = ()
    quality: tuple[QualityRow, ...] = ()
    cuts: tuple[CutChannel, ...] = ()
    seal: SealFacts | None = None
    versions: Mapping[str, str] = field(default_factory=dict)
    invented: bool = False

    @property
    def primary(self) -> OutcomeResult | None:
        """The result of the one primary outcome; None where the plan has no single one."""
        outcome = self.plan.primary
        if outcome is None:
            return None
        return next((r for r in self.estimates if r.outcome.name == outcome.name), None)

    @property
    def others(self) -> tuple[OutcomeResult, ...]:
        """Results of every outcome that is not primary."""
        return tuple(r for r in self.estimates if r.outcome.role is not Role.PRIMARY)

    @property
    def is_invented(self) -> bool:
        """True when the page must carry the mark of invented data."""
        return self.invented or self.plan.invented

    def label(self, condition: str | None) -> str:
        """The words people read for a condition."""
        found = [c.label for c in self.plan.conditions if c.name == condition]
        return found[0] if found else (condition or "–")

    def trial_periods(self) -> tuple[PeriodRow, ...]:
        """The periods that belong to the comparison, in time order."""
        return tuple(p for p in self.periods if p.kind is Kind.TRIAL)
