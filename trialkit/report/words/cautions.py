"""Cautions printed with every report, each with its source; they never clear anyone to exercise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from trialkit.domain.plans import Hazards, Plan


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution and where it is from."""

    text: str
    source: str


_FROM_MEMORY: Final = "from memory, confirm against the source"

STOP_SIGNS: Final = (
    "chest pain or pressure, unusual breathlessness, faintness, confusion, racing or stumbling "
    "heartbeat, cold clammy skin, loss of coordination, pain from an injury, signs of heat "
    "illness, or the wish to stop"
)
EXERCISE: Final = (
    Caution(
        "Before hard efforts: ask about current activity, known heart, metabolic or kidney "
        "disease, symptoms, and how hard it will be. Any yes goes to a clinician, who decides.",
        "American College of Sports Medicine 2015, preparticipation screening",
    ),
    Caution(
        f"Stop at once, and get help if it does not pass quickly: {STOP_SIGNS}.",
        "lists of the American Heart Association 2013 and the American College of Sports "
        f"Medicine; {_FROM_MEMORY}",
    ),
    Caution(
        "Serious events are often announced by warning symptoms in the days before: take them "
        "seriously and say them.",
        "American College of Sports Medicine, roundtable on exercise events",
    ),
    Caution(
        "Not with fever or acute illness, within 24 hours of a faint, or with a concussion that "
        "has not resolved; in pregnancy only on a clinician's advice; children only with their "
        "guardian's consent and ethical review.",
        f"common practice; {_FROM_MEMORY}",
    ),
    Caution(
        "Never test to the limit alone: a second person, a phone, a defibrillator whose place is "
        "known, limits for heat and cold, something to drink.",
        "common practice, no source",
    ),
)
SUPPLEMENTS: Final = (
    Caution(
        "Food supplements: keep to the anti-doping rules, use batch-tested products, and stay "
        "within the doses a professional advises.",
        f"common practice; {_FROM_MEMORY}",
    ),
)


def all_cautions(plan: Plan) -> tuple[Caution, ...]:
    """The protocol's own cautions, then those its hazards call for."""
    own = (Caution(text, "") for text in plan.cautions)
    return (*own, *cautions_for(plan.hazards))


def cautions_for(hazards: Hazards) -> tuple[Caution, ...]:
    """The cautions a trial needs; where nobody said how hard it is, those for hard efforts."""
    exercise = () if hazards.effort == "none" else EXERCISE
    supplements = SUPPLEMENTS if hazards.diet or hazards.supplements else ()
    return (*exercise, *supplements)
