"""What a plan expects to go other than at best, told in a few words."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.design.threats.sizes import digits
from trialkit.domain.plans import Plan


def reckoned_besides(plan: Plan) -> tuple[str, ...]:
    """What a simulation of the plan reckons with and a closed form leaves out; empty if nothing."""
    return (*_of_conduct(plan), *_of_athlete(plan), *_of_analysis(plan))


def _of_conduct(plan: Plan) -> Iterator[str]:
    if plan.expected.missing:
        yield f"{digits(100 * plan.expected.missing)} % missed periods"


def _of_athlete(plan: Plan) -> Iterator[str]:
    expected, known = plan.expected, plan.primary.typical_error if plan.primary else None
    if known is not None and known.df is not None:
        yield f"a typical error known from {digits(known.df)} degrees of freedom only"
    if expected.tail_df is not None:
        yield "outliers"
    if expected.drift:
        yield "a drift"
    if expected.phi:
        yield "good and bad spells"
    if expected.carryover:
        yield "a carryover"


def _of_analysis(plan: Plan) -> Iterator[str]:
    analysis = plan.analysis
    if analysis.method not in ("auto", "paired"):
        yield f"the declared method {analysis.method}"
    if analysis.period_effect or plan.expected.period_effect:
        yield "an effect of the place in the block"
    if analysis.trend != "none":
        yield "a trend to estimate"
    if analysis.carryover == "adjusted":
        yield "a carryover to estimate"
    if analysis.looks:
        yield "the declared looks"
