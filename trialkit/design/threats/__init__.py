"""Reasons why a plan cannot answer its question as it stands, each with its size and its mend.

Every rule is a function from a plan to the threats it finds; the rules live by topic in this
room's modules, and ``find_threats`` asks them all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain
from typing import Final

from trialkit.design.threats.declarations import (
    find_analysis_threats,
    find_outcome_threats,
)
from trialkit.design.threats.exposure import find_exposure_threats
from trialkit.design.threats.noise import find_noise_threats
from trialkit.design.threats.order import find_order_threats
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.plans import Plan

Rule = Callable[[Plan], Iterator[Threat]]

_RULES: Final[tuple[Rule, ...]] = (
    find_order_threats,
    find_noise_threats,
    find_exposure_threats,
    find_outcome_threats,
    find_analysis_threats,
)
_GRAVEST_FIRST: Final = (Severity.CANNOT_ANSWER, Severity.WEAK, Severity.NOTE)


def find_threats(plan: Plan) -> tuple[Threat, ...]:
    """Everything that stands between this plan and an answer, the gravest first.

    Raises
    ------
    RequestError
        When the plan does not fit its scheme, so that there is nothing to judge yet.
    """
    found = chain.from_iterable(rule(plan) for rule in _RULES)
    return tuple(sorted(found, key=lambda threat: _GRAVEST_FIRST.index(threat.severity)))
