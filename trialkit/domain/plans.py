"""The plan of a trial, as every room below the protocol file knows it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, time
from typing import Final

from trialkit.domain.conditions import Condition
from trialkit.domain.outcomes import Outcome, Role
from trialkit.domain.recordings import SegmentRule

PLACEHOLDER: Final = "Fill in"
"""How a text begins that a ready protocol asks its user to write."""


@dataclass(frozen=True, slots=True)
class Span:
    """A range to randomise in or to keep to, both ends included. ``unit``: ``min`` or ``day``."""

    low: int
    high: int
    unit: str
    reason: str = ""

    @property
    def low_min(self) -> float:
        """The lower end in minutes."""
        return float(self.low * (1440 if self.unit == "day" else 1))


@dataclass(frozen=True, slots=True)
class Constraints:
    """Restrictions on the order beyond the scheme's own.

    ``longest_run`` is the most equal conditions in a row; ``balance`` names what the conditions
    are balanced over (``weekday``, ``time_of_day``); ``min_phase`` is the shortest phase of a
    phase change; ``block_days`` the days of a multi-day block.
    """

    longest_run: int | None = None
    balance: str | None = None
    min_phase: int | None = None
    block_days: int | None = None


@dataclass(frozen=True, slots=True)
class DesignPlan:
    """How the order is made.

    ``scheme`` is a registered name (``randomised-pairs``, ``randomised-blocks`` ...). ``blocks``
    counts blocks, ``block_size`` the periods in one, ``periods_per_session`` how many fall on one
    visit. ``order`` is set only for plans that fix it (scheme ``fixed``) and then names the
    condition of every period. ``reason`` says why this scheme and this many blocks.
    """

    scheme: str
    blocks: int
    block_size: int
    periods_per_session: int = 1
    familiarisation: int = 0
    baseline: int = 0
    order: tuple[str, ...] = ()
    constraints: Constraints = Constraints()
    matched_work: bool = False
    conditions_act_within_period: bool = True
    first_period_prepares_next: bool = False
    reason: str = ""


@dataclass(frozen=True, slots=True)
class RestPlan:
    """Rests: between periods of one session, between sessions, and the washout asked for."""

    between_periods: Span | None = None
    between_sessions: Span | None = None
    washout: Span | None = None


@dataclass(frozen=True, slots=True)
class CalendarPlan:
    """When periods may be held. ``weekdays``: 0 is Monday."""

    start: date | None = None
    time_zone: str = "UTC"
    weekdays: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)
    window: tuple[time, time] | None = None
    blackout: tuple[tuple[date, date], ...] = ()
    sessions_per_week: int | None = None
    session_min: int = 60


@dataclass(frozen=True, slots=True)
class AnalysisPlan:
    """What was declared about the analysis before the first period.

    ``trend`` is ``none`` or ``linear``; ``looks`` are the numbers of complete blocks at which an
    interim look is declared; ``spending`` its alpha-spending type (``obrien-fleming``,
    ``pocock``); ``effect_prior`` is ``sceptical`` or ``flat``; ``missing_rule`` says in words what
    happens to periods that were missed.
    """

    method: str = "auto"
    level: float = 0.95
    period_effect: bool = False
    trend: str = "none"
    carryover: str = "prevented"
    looks: tuple[int, ...] = ()
    spending: str = "obrien-fleming"
    effect_prior: str = "sceptical"
    max_blocks: int | None = None
    missing_rule: str = ""


@dataclass(frozen=True, slots=True)
class Expected:
    """What the planner expects of nuisances, in units of the primary outcome's typical error.

    ``block_sd`` between-block SD; ``drift`` change per period; ``carryover`` left after the rest;
    ``phi`` serial correlation between neighbouring periods; ``missing`` share of periods missed;
    ``period_effect`` change at each further place in a block; ``tail_df`` degrees of freedom of
    heavy-tailed noise (above 2), None for normal noise.
    """

    block_sd: float = 1.0
    drift: float = 0.0
    carryover: float = 0.0
    phi: float = 0.0
    missing: float = 0.0
    source: str = ""
    period_effect: float = 0.0
    tail_df: float | None = None


@dataclass(frozen=True, slots=True)
class Blinding:
    """Who opens the sequence, who does what, and who does not know the condition.

    ``blind`` holds roles (``athlete``, ``tester``, ``analyst``); the other fields hold labels of
    people; ``keyholder`` keeps the key to the sealed sequence, ``how`` says how blinding is done.
    """

    opens_sequence: str = ""
    blind: tuple[str, ...] = ()
    tester: str = ""
    analyst: str = ""
    keyholder: str = ""
    how: str = ""


@dataclass(frozen=True, slots=True)
class Hazards:
    """What in the trial can hurt, so that the right cautions are printed.

    ``effort`` is ``none``, ``submaximal`` or ``maximal``; empty when nobody said.
    """

    effort: str = ""
    heat: bool = False
    diet: bool = False
    supplements: bool = False


@dataclass(frozen=True, slots=True)
class CardStep:
    """One step of a session card: what to do, and for how many minutes (0: no fixed time)."""

    minutes: float
    text: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole plan. ``conditions`` hold exactly one reference, ``outcomes`` at least one.

    ``details`` holds the texts of the protocol that no computation reads, under the names of the
    file (``trial.background``, ``calendar.blackout.1.reason`` ...).
    """

    title: str
    question: str
    athlete: str
    conditions: tuple[Condition, ...]
    outcomes: tuple[Outcome, ...]
    design: DesignPlan
    rest: RestPlan = RestPlan()
    calendar: CalendarPlan = CalendarPlan()
    analysis: AnalysisPlan = AnalysisPlan()
    expected: Expected = Expected()
    blinding: Blinding = Blinding()
    segments: tuple[SegmentRule, ...] = ()
    cautions: tuple[str, ...] = ()
    hazards: Hazards = Hazards()
    card: tuple[CardStep, ...] = ()
    invented: bool = False
    details: dict[str, str] = field(default_factory=dict)

    @property
    def reference(self) -> Condition:
        """The condition the others are compared with."""
        return next(c for c in self.conditions if c.reference)

    @property
    def condition_names(self) -> tuple[str, ...]:
        """Names of all conditions, in the order of the file."""
        return tuple(c.name for c in self.conditions)

    @property
    def primary(self) -> Outcome | None:
        """The primary outcome, or None where the plan names none or more than one."""
        found = [o for o in self.outcomes if o.role is Role.PRIMARY]
        return found[0] if len(found) == 1 else None

    @property
    def unfilled(self) -> tuple[str, ...]:
        """Fields of the file that still hold a ready protocol's request to fill them in."""
        return tuple(name for name, text in self.details.items() if text.startswith(PLACEHOLDER))
