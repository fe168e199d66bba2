"""Plans made in code, for tests of the planning room. All of it is invented."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from trialkit.domain.conditions import Condition
from trialkit.domain.outcomes import Better, Outcome, Scale, TypicalError, Worthwhile
from trialkit.domain.plans import AnalysisPlan, DesignPlan, Expected, Plan

MakePlan = Callable[..., Plan]


@pytest.fixture
def make_plan() -> MakePlan:
    def make(
        *,
        blocks: int = 8,
        conditions: int = 2,
        scheme: str | None = None,
        noise_df: float | None = None,
        better: Better = Better.HIGHER,
        scale: Scale = Scale.RAW,
        margin: float | None = 5.0,
        analysis: dict[str, Any] | None = None,
        design: dict[str, Any] | None = None,
        **expected: Any,
    ) -> Plan:
        unit = "%" if scale is Scale.LOG else "W"
        outcome = Outcome(
            name="power",
            label="Mean power",
            unit="W",
            better=better,
            scale=scale,
            worthwhile=None if margin is None else Worthwhile(margin, unit, "invented"),
            typical_error=TypicalError(5.0, unit, noise_df, "invented"),
        )
        names = ("short", "long", "none")[:conditions]
        layout = {"scheme": "randomised-pairs" if conditions == 2 else "randomised-blocks"}
        layout |= {"blocks": blocks, "block_size": conditions} | (design or {})
        return Plan(
            title="Warm-up and 4-minute efforts",
            question="Does the long warm-up help?",
            athlete="An invented cyclist",
            conditions=tuple(Condition(n, n, reference=n == "short") for n in names),
            outcomes=(outcome,),
            design=DesignPlan(**(layout | ({"scheme": scheme} if scheme else {}))),
            analysis=AnalysisPlan(**(analysis or {})),
            expected=Expected(**expected),
            invented=True,
        )

    return make
