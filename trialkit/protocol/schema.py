"""The protocol file as a whole, and its JSON Schema for editors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core.core_schema import NullableSchema, WithDefaultSchema

from trialkit.protocol.conduct import (
    AnalysisTable,
    CalendarTable,
    CardTable,
    CautionsTable,
    DesignTable,
    ExpectedTable,
    RestTable,
    RolesTable,
    TrialTable,
)
from trialkit.protocol.fields import Table
from trialkit.protocol.measurement import ConditionTable, OutcomeTable, SegmentTable

if TYPE_CHECKING:
    from trialkit.domain.plans import Plan


class Protocol(Table):
    """The plan of one trial as a person writes it in TOML."""

    format: Literal[1] = Field(description="Version of this file's shape: 1.", examples=[1])
    trial: TrialTable = Field(description="What the trial is about.")
    conditions: Annotated[tuple[ConditionTable, ...], Field(strict=False, max_length=20)] = Field(
        description="What is compared: at least two, one of them the reference."
    )
    outcomes: Annotated[
        tuple[OutcomeTable, ...], Field(strict=False, min_length=1, max_length=30)
    ] = Field(description="What is measured.")
    segments: Annotated[tuple[SegmentTable, ...], Field(strict=False, max_length=100)] = Field(
        default=(), description="How the named parts of a recording are found."
    )
    design: DesignTable = Field(description="How the order is made.")
    rest: RestTable = Field(default=RestTable(), description="Rests, as ranges to draw from.")
    calendar: CalendarTable = Field(
        default=CalendarTable(), description="When periods may be held."
    )
    analysis: AnalysisTable = Field(
        default=AnalysisTable(), description="What is declared about the analysis."
    )
    expected: ExpectedTable = Field(
        default=ExpectedTable(), description="Nuisances expected, for planning."
    )
    roles: RolesTable = Field(default=RolesTable(), description="Who does what.")
    cautions: CautionsTable = Field(description="What can hurt.")
    card: CardTable = Field(default=CardTable(), description="The printed session card.")

    def plan(self) -> Plan:
        """The plan as every other room knows it."""
        from trialkit.protocol.mapping import plan_of

        return plan_of(self)


class _TomlSchema(GenerateJsonSchema):
    """TOML has no null: a field that may be left out is simply not required."""

    def nullable_schema(self, schema: NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: WithDefaultSchema) -> JsonSchemaValue:
        plain = super().default_schema(schema)
        empty = plain.get("default") in (None, "") or isinstance(plain.get("default"), dict)
        return {k: v for k, v in plain.items() if k != "default" or not empty}


def json_schema() -> dict[str, Any]:
    """The JSON Schema (Draft 2020-12) of a protocol file, for completion in editors.

    Examples
    --------
    >>> json_schema()["title"]
    'trialkit protocol'
    """
    schema = Protocol.model_json_schema(schema_generator=_TomlSchema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "trialkit protocol",
    }
