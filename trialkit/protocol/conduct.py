"""Tables of the protocol file about how the trial is designed, run, analysed and kept safe."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Literal

from pydantic import Field

from trialkit.protocol.fields import (
    ClockTime,
    Label,
    Name,
    NeededText,
    NotNegative,
    ShortText,
    Table,
    Text,
    ZoneName,
)

Scheme = Literal[
    "randomised-pairs",
    "randomised-blocks",
    "latin-square",
    "williams-square",
    "incomplete-blocks",
    "counterbalanced",
    "restricted",
    "phase-change",
    "multi-day-blocks",
    "fixed",
]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: Final[tuple[Weekday, ...]] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Count = Annotated[int, Field(ge=1, le=500)]


class ConstraintsTable(Table):
    """Restrictions on the order beyond the scheme's own."""

    longest_run: Count | None = Field(
        default=None, description="Most periods in a row with the same condition.", examples=[2]
    )
    balance: Literal["weekday", "time_of_day"] | None = Field(
        default=None, description="What the conditions are balanced over.", examples=["weekday"]
    )
    min_phase: Count | None = Field(
        default=None, description="Fewest periods in a phase (phase-change).", examples=[5]
    )
    block_days: Count | None = Field(
        default=None,
        description="Days in a row with one condition, each day a period (multi-day-blocks).",
        examples=[3],
    )


class DesignTable(Table):
    """How the order is made."""

    scheme: Scheme = Field(
        description="How the order of conditions is drawn.", examples=["randomised-pairs"]
    )
    blocks: Count = Field(description="How many blocks (with two conditions: pairs).", examples=[8])
    block_size: Count | None = Field(
        default=None,
        description="Places in one block; the number of conditions when left out.",
        examples=[2],
    )
    periods_per_session: Annotated[int, Field(ge=1, le=50)] = Field(
        default=1, description="Periods held on one visit.", examples=[1]
    )
    familiarisation: Annotated[int, Field(ge=0, le=100)] = Field(
        default=0, description="Practice periods, never analysed.", examples=[2]
    )
    baseline: Annotated[int, Field(ge=0, le=100)] = Field(
        default=0, description="Repeats under the reference before the start, for the noise."
    )
    order: Annotated[tuple[Name, ...], Field(strict=False, max_length=5000)] = Field(
        default=(),
        description="Only for scheme fixed: the order of one block or of the whole trial.",
        examples=[["rest", "warm-up"]],
    )
    matched_work: bool = Field(
        default=False, description="True when the athlete paces to the same work every time."
    )
    prepares_next: bool = Field(
        default=False, description="True when a period can prepare the body for the next one."
    )
    acts_within_period: bool = Field(
        default=True, description="False when a condition needs longer than a period to act."
    )
    period: Text = Field(default="", description="What one period holds and how long it lasts.")
    reason: Text = Field(default="", description="Why this scheme and this many blocks.")
    constraints: ConstraintsTable = Field(
        default=ConstraintsTable(), description="Restrictions on the order."
    )


class RangeTable(Table):
    """A rest: a range to draw from, both ends included, in whole units."""

    low: Annotated[int, Field(ge=0, le=10_000)] = Field(
        alias="from", description="Shortest.", examples=[45]
    )
    high: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        default=None, alias="to", description="Longest; the same when left out.", examples=[60]
    )
    unit: Literal["min", "h", "day"] = Field(description="min, h or day.", examples=["min"])
    reason: Text = Field(default="", description="Why this long, and where the figure is from.")


class RestTable(Table):
    """Rests between periods and sessions."""

    between_periods: RangeTable | None = Field(
        default=None, description="Between periods of one session (min or h)."
    )
    between_sessions: RangeTable | None = Field(
        default=None, description="From one session to the next (day; 1 is the next day)."
    )
    washout: RangeTable | None = Field(
        default=None, description="Time the effect of a condition needs to fade."
    )


class BlackoutTable(Table):
    """Days on which nothing is held."""

    first: date = Field(alias="from", description="First day.", examples=["2026-08-03"])
    last: date = Field(alias="to", description="Last day.", examples=["2026-08-14"])
    reason: ShortText = Field(default="", description="Why.", examples=["training camp"])


class CalendarTable(Table):
    """When periods may be held."""

    start: date | None = Field(default=None, description="First day.", examples=["2026-05-04"])
    time_zone: ZoneName = Field(default="UTC", description="IANA zone.", examples=["Europe/Berlin"])
    weekdays: Annotated[
        tuple[Weekday, ...],
        Field(strict=False, min_length=1),
    ] = Field(default=WEEKDAYS, description="Days allowed.", examples=[["mon", "wed", "fri"]])
    window: Annotated[tuple[ClockTime, ClockTime], Field(strict=False)] | None = Field(
        default=None,
        description="Earliest start and latest end of a session.",
        examples=[["16:00", "19:00"]],
    )
    blackout: Annotated[tuple[BlackoutTable, ...], Field(strict=False, max_length=200)] = Field(
        default=(), description="Days on which nothing is held."
    )
    sessions_per_week: Annotated[int, Field(ge=1, le=7)] | None = Field(
        default=None, description="Most sessions in a week.", examples=[3]
    )
    session_min: Annotated[int, Field(ge=1, le=1440)] = Field(
        default=60, description="Length of a session in minutes.", examples=[60]
    )


class AnalysisTable(Table):
    """What is declared about the analysis before the first period."""

    method: Literal["auto", "paired", "mixed", "serial", "randomisation", "bayes"] = Field(
        default="auto", description="Method of the verdict.", examples=["auto"]
    )
    level: Annotated[float, Field(ge=0.5, lt=1)] = Field(
        default=0.95, description="Level of the intervals.", examples=[0.95]
    )
    period_effect: bool = Field(
        default=False, description="True to adjust for the place in the block."
    )
    trend: Literal["none", "linear"] = Field(
        default="none", description="Trend over the trial that is adjusted for."
    )
    carryover: Literal["prevented", "adjusted"] = Field(
        default="prevented", description="Whether rest prevents carryover or a term adjusts for it."
    )
    looks: Annotated[tuple[Annotated[int, Field(ge=2, le=500)], ...], Field(strict=False)] = Field(
        default=(),
        description="Numbers of complete blocks at which the result is looked at.",
        examples=[[4, 8]],
    )
    spending: Literal["obrien-fleming", "pocock"] = Field(
        default="obrien-fleming", description="How the error rate is shared between looks."
    )
    effect_prior: Literal["sceptical", "flat"] = Field(
        default="sceptical", description="Prior on the effect in the noise-prior analysis."
    )
    max_blocks: Count | None = Field(
        default=None, description="Most blocks, if the trial may be extended.", examples=[12]
    )
    missing_rule: Text = Field(default="", description="What happens to missed periods.")


class ExpectedTable(Table):
    """Nuisances expected, in units of the primary outcome's typical error."""

    block_sd: NotNegative = Field(default=1.0, description="SD between blocks.", examples=[1.0])
    drift: Annotated[float, Field(ge=-1000, le=1000)] = Field(
        default=0.0, description="Change per period.", examples=[0.1]
    )
    carryover: Annotated[float, Field(ge=-1000, le=1000)] = Field(
        default=0.0, description="Left over after the rest.", examples=[0.1]
    )
    phi: Annotated[float, Field(gt=-1, lt=1)] = Field(
        default=0.0, description="Correlation of neighbouring periods.", examples=[0.2]
    )
    missing: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=0.0, description="Share of periods missed.", examples=[0.1]
    )
    period_effect: Annotated[float, Field(ge=-1000, le=1000)] = Field(
        default=0.0, description="Change at each further place in a block.", examples=[0.2]
    )
    tail_df: Annotated[float, Field(gt=2, le=1e6)] | None = Field(
        default=None, description="Degrees of freedom of heavy-tailed noise.", examples=[4]
    )
    source: Text = Field(default="", description="Where these figures come from.")


class RolesTable(Table):
    """Who does what, and who does not know the condition."""

    opens_sequence: ShortText = Field(default="", description="Who opens the next condition.")
    tester: ShortText = Field(default="", description="Who runs the test.")
    analyst: ShortText = Field(default="", description="Who analyses.")
    keyholder: ShortText = Field(default="", description="Who keeps the key to the sequence.")
    blind: Annotated[
        tuple[Literal["athlete", "tester", "analyst"], ...], Field(strict=False, max_length=3)
    ] = Field(default=(), description="Who does not know the condition.", examples=[["analyst"]])
    how: Text = Field(default="", description="How they are kept from knowing it.")


class CautionsTable(Table):
    """What in the trial can hurt."""

    effort: Literal["none", "submaximal", "maximal"] = Field(
        description="Hardest effort asked for.", examples=["maximal"]
    )
    heat: bool = Field(default=False, description="True when heat is part of the trial.")
    diet: bool = Field(default=False, description="True when eating or drinking is changed.")
    supplements: bool = Field(default=False, description="True when something is taken.")
    text: Annotated[tuple[NeededText, ...], Field(strict=False, max_length=30)] = Field(
        default=(),
        description="Further cautions for this trial.",
        examples=[["stop when the knee hurts"]],
    )


class CardStepTable(Table):
    """One step of a session card."""

    minutes: Annotated[float, Field(ge=0, le=1440)] = Field(
        description="Length; 0 for no fixed time.", examples=[10]
    )
    text: Label = Field(description="What to do.", examples=["Easy spin"])


class CardTable(Table):
    """What is printed on each session card."""

    steps: Annotated[tuple[CardStepTable, ...], Field(strict=False, max_length=60)] = Field(
        default=(), description="Steps in order."
    )


class TrialTable(Table):
    """What the trial is about, and what a reporting guideline asks to be said beforehand."""

    title: Label = Field(
        description="Title.", examples=["Warm-up before 4-minute efforts: an n-of-1 trial"]
    )
    question: NeededText = Field(
        description="The question in one sentence.",
        examples=["Does a warm-up raise my mean power over 4 minutes?"],
    )
    athlete: Label = Field(description="A label for the athlete, no name.", examples=["athlete A"])
    version: ShortText = Field(default="", description="Version of this protocol.")
    written: date | None = Field(default=None, description="Date of this version.")
    aim: Text = Field(default="", description="Aim, with direction and margin.")
    background: Text = Field(default="", description="Why the question matters.")
    why_single_athlete: Text = Field(default="", description="Why one athlete suits the question.")
    profile: Text = Field(default="", description="Level, training, health, things taken.")
    eligibility: Text = Field(default="", description="When the athlete may take part, and not.")
    site: Text = Field(default="", description="Place, surface, weather.")
    equipment: Text = Field(default="", description="Make, placement and calibration of devices.")
    co_interventions: Text = Field(default="", description="What else is allowed and forbidden.")
    purpose: Literal["personal", "research"] = Field(
        default="personal", description="Personal decision or research."
    )
    ethics: Text = Field(default="", description="Ethics approval, if research.")
    framework: Literal["superiority", "equivalence", "non-inferiority"] = Field(
        default="superiority", description="What the trial sets out to show."
    )
    registration: Text = Field(default="", description="Registration number and place.")
    funding: Text = Field(default="", description="Who pays or gives equipment, and their part.")
    who_chose_margin: Text = Field(default="", description="Who chose outcome and margin.")
    stopping_rules: Text = Field(default="", description="When the trial is stopped early.")
    harms: Text = Field(default="", description="How unwanted effects are noticed and recorded.")
    data_handling: Text = Field(default="", description="Where data are kept, who may see them.")
    results_to_athlete: Text = Field(default="", description="When the athlete sees results.")
    after_trial: Text = Field(default="", description="What is done after each possible verdict.")
    invented: bool = Field(default=False, description="True for a made-up example.")
