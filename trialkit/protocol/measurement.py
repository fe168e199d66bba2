"""Tables of the protocol file about what is compared and what is measured."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field

from trialkit.domain.measures import CHANNELS, STATISTICS
from trialkit.protocol.fields import (
    IsoTime,
    Label,
    Name,
    NeededText,
    NotNegative,
    Positive,
    Table,
    Text,
    UnitName,
    complaint,
    one_of,
)


class ConditionTable(Table):
    """One way of doing the thing under study."""

    name: Name = Field(description="Short name used in files.", examples=["warm-up"])
    label: Label = Field(description="Words people read.", examples=["20 min warm-up"])
    recipe: NeededText = Field(
        description="How to deliver it, so exactly that somebody else could repeat it.",
        examples=["10 min easy, 3 x 1 min hard, 5 min easy"],
    )
    reference: bool = Field(
        default=False,
        description="True for the one condition the others are compared with.",
        examples=[True],
    )
    why: Text = Field(default="", description="Why this condition is compared.")
    alike: Text = Field(
        default="", description="How alike it looks, feels or tastes to the other conditions."
    )


class WorthwhileTable(Table):
    """The smallest change that matters, declared before the first period."""

    value: Positive = Field(description="Size of the change.", examples=[2.0])
    unit: UnitName = Field(description="The outcome's unit; % on the log scale.", examples=["%"])
    reason: NeededText = Field(
        description="Why a smaller change would not matter, and who says so.",
        examples=["half of what separates places in the athlete's races"],
    )


class TypicalErrorTable(Table):
    """Within-athlete noise of one measurement."""

    value: Positive = Field(description="Noise SD of one measurement.", examples=[1.8])
    unit: UnitName = Field(description="The outcome's unit; % on the log scale.", examples=["%"])
    df: Positive | None = Field(
        default=None,
        description="Degrees of freedom behind the figure: people x (trials - 1), or runs - 1.",
        examples=[7],
    )
    source: NeededText = Field(
        description="Where the figure comes from.", examples=["eight own test days in March"]
    )


class SourcedFigure(Table):
    """A number with its source."""

    value: NotNegative = Field(description="The figure.", examples=[10])
    source: NeededText = Field(
        description="Where the figure comes from.", examples=["common practice, no source"]
    )


def _lap(value: object) -> object:
    named = isinstance(value, str) and value.strip() != ""
    numbered = isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 10_000
    if not (named or numbered):
        raise complaint("it names no lap.", "give the lap's number from 1, or its name in quotes.")
    return value


class SegmentTable(Table):
    """How a named part of a recording is found; exactly one way is given."""

    name: Label = Field(description="Name that measures refer to.", examples=["effort"])
    lap: Annotated[int | str, BeforeValidator(_lap)] | None = Field(
        default=None, description="Number of the lap from 1, or its name.", examples=[2]
    )
    event: Label | None = Field(
        default=None, description="From this event to the next.", examples=["start"]
    )
    elapsed_s: Annotated[tuple[NotNegative, NotNegative], Field(strict=False)] | None = Field(
        default=None, description="From and to, in seconds since the start.", examples=[[600, 840]]
    )
    clock: Annotated[tuple[IsoTime, IsoTime], Field(strict=False)] | None = Field(
        default=None, description="From and to, as ISO times.", examples=[["16:10:00", "16:14:00"]]
    )
    channel: Annotated[str, AfterValidator(one_of(CHANNELS))] | None = Field(
        default=None,
        description="The stretch in which this channel stays above a level.",
        examples=["power"],
        json_schema_extra={"enum": [*CHANNELS]},
    )
    above: float | None = Field(default=None, description="That level.", examples=[200])
    hold_s: NotNegative = Field(
        default=5.0, description="Seconds it must stay there.", examples=[5]
    )
    round: Annotated[int, Field(ge=1, le=10_000)] | None = Field(
        default=None, description="Which such stretch; all of them when left out.", examples=[1]
    )


class MeasureTable(Table):
    """How one outcome value is taken from a recording; further keys are numeric settings."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, float] = Field(init=False)

    channel: Annotated[str, AfterValidator(one_of(CHANNELS))] = Field(
        description="Channel of the recording.",
        examples=["power"],
        json_schema_extra={"enum": [*CHANNELS]},
    )
    segment: Label = Field(
        description='Named part of the recording, such as "effort", "round 1" or "lap 2".',
        examples=["effort"],
    )
    statistic: Annotated[str, AfterValidator(one_of(STATISTICS))] = Field(
        description="What is computed over the segment.",
        examples=["mean"],
        json_schema_extra={"enum": [*STATISTICS]},
    )
    seconds: Positive | None = Field(
        default=None, description="Window in seconds, for statistics that have one.", examples=[30]
    )
    min_coverage: float | None = Field(
        default=None,
        gt=0,
        le=1,
        description="Share of the segment that must hold data.",
        examples=[0.9],
    )
    max_gap_s: NotNegative | None = Field(
        default=None, description="Longest gap in seconds that may be bridged.", examples=[5]
    )


class OutcomeTable(Table):
    """A measured quantity."""

    name: Name = Field(description="Short name used in files.", examples=["mean-power"])
    label: Label = Field(description="Words people read.", examples=["Mean power of the effort"])
    unit: UnitName = Field(description="Unit of the values.", examples=["W"])
    better: Literal["higher", "lower"] = Field(
        description="Which direction is better for the athlete.", examples=["higher"]
    )
    role: Literal["primary", "secondary", "check"] = Field(
        description="primary: the verdict rests on it (one outcome only); secondary: supporting; "
        "check: on the test itself.",
        examples=["primary"],
    )
    scale: Literal["raw", "log"] = Field(
        default="raw",
        description="raw: differences in the unit; log: differences in percent.",
        examples=["log"],
    )
    worthwhile: WorthwhileTable | None = Field(
        default=None, description="Smallest worthwhile change. Without it there is no verdict."
    )
    typical_error: TypicalErrorTable | None = Field(
        default=None, description="Noise of one measurement, for planning and as a noise prior."
    )
    measure: MeasureTable | None = Field(
        default=None, description="How the value is taken from a recording, if it is."
    )
    subjective: bool = Field(
        default=False, description="True for ratings and feelings, which expectation can move."
    )
    half_life: SourcedFigure | None = Field(
        default=None, description="How fast the outcome recovers after a period, in minutes."
    )
    familiarisation_gain: SourcedFigure | None = Field(
        default=None, description="Gain from the first to the second exposure, in percent."
    )
