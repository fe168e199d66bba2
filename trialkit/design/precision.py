"""How precisely a plan measures a difference: its variance and degrees of freedom, by scheme.

Variances are in squared typical errors, for noise that is independent from period to period; they
are those of the analysis with fixed blocks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from trialkit.domain.plans import Plan


@dataclass(frozen=True, slots=True)
class Precision:
    """Variance of condition minus reference in squared typical errors, and df of the noise."""

    variance: float
    df: float


def complete_blocks(blocks: float, conditions: int = 2) -> Precision:
    """Blocks that hold every condition once: variance 2/B, (B - 1)(K - 1) degrees of freedom.

    Examples
    --------
    >>> complete_blocks(8)
    Precision(variance=0.25, df=7)
    """
    return Precision(2 / blocks, (blocks - 1) * (conditions - 1))


def precision_of(plan: Plan) -> Precision:
    """Precision the plan reaches when no period is missed."""
    return _BY_SCHEME.get(plan.design.scheme, _complete)(plan)


def _complete(plan: Plan) -> Precision:
    return complete_blocks(plan.design.blocks, len(plan.conditions))


def _multi_day(plan: Plan) -> Precision:
    """Complete blocks of means over the days of a condition."""
    whole, days = _complete(plan), plan.design.constraints.block_days or 1
    return Precision(whole.variance / days, whole.df)


def _incomplete(plan: Plan) -> Precision:
    """Balanced incomplete blocks: variance 2k/(lambda v) within blocks (Yates 1936)."""
    b, k, v = plan.design.blocks, plan.design.block_size, len(plan.conditions)
    meetings = b * k * (k - 1) / (v * (v - 1))
    return Precision(2 * k / (meetings * v), b * k - b - v + 1)


def _whole_trial(plan: Plan) -> Precision:
    """Equal counts without blocks: two independent means."""
    periods, k = plan.design.blocks * plan.design.block_size, len(plan.conditions)
    return Precision(2 * k / periods, periods - k)


def _as_ordered(plan: Plan) -> Precision:
    """A fixed order: complete blocks where its blocks are, otherwise means of unequal counts."""
    order, k, size = plan.design.order, len(plan.conditions), plan.design.block_size
    blocks = [order[i : i + size] for i in range(0, len(order), size)]
    if all(len(block) == len(set(block)) == k for block in blocks):
        return _complete(plan)
    others = [order.count(c.name) for c in plan.conditions if not c.reference]
    return Precision(1 / order.count(plan.reference.name) + 1 / min(others), len(order) - k)


_BY_SCHEME: Final[dict[str, Callable[[Plan], Precision]]] = {
    "multi-day-blocks": _multi_day,
    "incomplete-blocks": _incomplete,
    "restricted": _whole_trial,
    # At best: a change in the middle.
    "phase-change": _whole_trial,
    "fixed": _as_ordered,
}
