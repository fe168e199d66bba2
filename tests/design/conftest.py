"""Plans for the tests of the design room: an invented cyclist, 4-minute efforts, a warm-up."""

from __future__ import annotations

from datetime import time
from typing import Any

import pytest

from trialkit.domain.conditions import Condition
from trialkit.domain.outcomes import Better, Outcome, TypicalError, Worthwhile
from trialkit.domain.plans import CalendarPlan, DesignPlan, Plan, RestPlan, Span

POWER = Outcome(
    name="power",
    label="mean power over 4 min",
    unit="W",
    better=Better.HIGHER,
    worthwhile=Worthwhile(7.0, "W", "invented"),
    typical_error=TypicalError(4.0, "W", 9.0, "invented"),
    familiarisation_gain=1.5,
)
NAMES = ("without", "with", "short", "long", "cool", "hot", "music")


def build_plan(conditions: int = 2, *, outcome: Outcome = POWER, **design: Any) -> Plan:
    """A sound plan of ``conditions`` conditions; ``design`` overrides fields of its design."""
    settings: dict[str, Any] = {
        "scheme": "randomised-pairs",
        "blocks": 8,
        "block_size": conditions,
        "familiarisation": 1,
    }
    return Plan(
        title="Warm-up before a 4-minute effort (invented)",
        question="Does a 20 min warm-up raise mean power?",
        athlete="invented cyclist",
        conditions=tuple(
            Condition(name, name, reference=i == 0) for i, name in enumerate(NAMES[:conditions])
        ),
        outcomes=(outcome,),
        design=DesignPlan(**(settings | design)),
        calendar=CalendarPlan(window=(time(17), time(19))),
        rest=RestPlan(between_sessions=Span(2, 4, "day")),
        invented=True,
    )


@pytest.fixture
def make_plan() -> Any:
    return build_plan
