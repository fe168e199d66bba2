"""The schemes by name: from a plan to the set of sequences that could be drawn for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.fit import require_fit
from trialkit.design.phases import FixedOrder, PhaseChange
from trialkit.design.reference_sets import ReferenceSet
from trialkit.design.relabelled import (
    MOST_CONDITIONS,
    RelabelledTables,
    incomplete_table,
    williams_table,
)
from trialkit.design.restricted import RestrictedOrders
from trialkit.design.slots import slot_labels
from trialkit.design.squares import LARGEST_ORDER, LatinSquares
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError, UnanswerableError


def scheme_names() -> tuple[str, ...]:
    """Names of all schemes a plan may ask for."""
    return tuple(_BUILDERS)


def reference_set(plan: Plan) -> ReferenceSet:
    """Every sequence the plan's scheme could draw.

    Raises
    ------
    RequestError
        When the scheme is not known, or its conditions, blocks and block size do not fit together.
    UnanswerableError
        When constraints leave so few sequences that a randomisation test could not reach the
        declared level; the number left is told.
    """
    possible = possible_sequences(plan)
    if too_few_sequences(plan, possible):
        raise UnanswerableError(
            Problem(
                where="design.constraints",
                found=f"{possible.count()} sequences that keep them all",
                wrong=f"a randomisation test over so few cannot get below p = "
                f"{possible.smallest_p:.3g}.",
                fix="loosen the constraints or plan more blocks.",
            )
        )
    return possible


def possible_sequences(plan: Plan) -> ReferenceSet:
    """Like ``reference_set``, but without refusing a set that its constraints made too small.

    Raises
    ------
    RequestError
        When the scheme is not known or the plan does not fit it.
    """
    builder = _BUILDERS.get(plan.design.scheme)
    if builder is None:
        raise RequestError(
            Problem(
                where="design.scheme",
                found=repr(plan.design.scheme),
                wrong="is not a scheme known here.",
                fix="use one of " + ", ".join(_BUILDERS) + ".",
            )
        )
    return builder(plan)


def too_few_sequences(plan: Plan, possible: ReferenceSet) -> bool:
    """Whether the plan's constraints leave too few sequences for its declared level."""
    limits = plan.design.constraints
    constrained = plan.design.scheme in ("restricted", "phase-change") or (
        limits.longest_run is not None or limits.balance is not None
    )
    return constrained and possible.smallest_p > 1 - plan.analysis.level + 1e-12


def block_length(plan: Plan) -> int:
    """Periods in one block: in multi-day blocks each condition takes several days in a row."""
    days = plan.design.constraints.block_days or 1
    return plan.design.block_size * (days if plan.design.scheme == "multi-day-blocks" else 1)


def _randomised_pairs(plan: Plan) -> ReferenceSet:
    require_fit(plan, conditions=2, block_size=2)
    return _shuffled_blocks(plan)


def _randomised_blocks(plan: Plan) -> ReferenceSet:
    require_fit(plan, block_size=len(plan.conditions))
    return _shuffled_blocks(plan)


def _shuffled_blocks(plan: Plan) -> ReferenceSet:
    limits, size = plan.design.constraints, len(plan.conditions)
    length = size * plan.design.blocks
    if limits.longest_run is None and limits.balance is None:
        return ShuffledBlocks(plan.condition_names, length)
    return _restricted_orders(plan, length, block_size=size)


def _restricted(plan: Plan) -> ReferenceSet:
    require_fit(plan, block_size=plan.design.block_size)
    return _restricted_orders(plan, plan.design.blocks * plan.design.block_size)


def _restricted_orders(plan: Plan, length: int, *, block_size: int | None = None) -> ReferenceSet:
    return RestrictedOrders(
        plan.condition_names,
        length,
        slots=slot_labels(plan, length),
        longest_run=plan.design.constraints.longest_run,
        block_size=block_size,
    )


def _counterbalanced(plan: Plan) -> ReferenceSet:
    size = len(plan.conditions)
    require_fit(plan, block_size=size, unconstrained=True)
    return ShuffledBlocks(plan.condition_names, size * plan.design.blocks, mirrored=True)


def _multi_day_blocks(plan: Plan) -> ReferenceSet:
    require_fit(plan, block_size=len(plan.conditions), unconstrained=True)
    days = plan.design.constraints.block_days or 1
    return ShuffledBlocks(plan.condition_names, plan.design.blocks * block_length(plan), days=days)


def _latin_square(plan: Plan) -> ReferenceSet:
    size = len(plan.conditions)
    require_fit(plan, block_size=size, unconstrained=True, most=LARGEST_ORDER)
    return LatinSquares(plan.condition_names, size * plan.design.blocks)


def _williams_square(plan: Plan) -> ReferenceSet:
    size = len(plan.conditions)
    require_fit(plan, block_size=size, unconstrained=True, most=MOST_CONDITIONS)
    return RelabelledTables(
        plan.condition_names, size * plan.design.blocks, table=williams_table(size)
    )


def _incomplete_blocks(plan: Plan) -> ReferenceSet:
    size, design = len(plan.conditions), plan.design
    table = incomplete_table(size, design.block_size)
    if table is None:
        known = ", ".join(
            f"{k} in multiples of {len(rows)} blocks"
            for k in range(2, size)
            if (rows := incomplete_table(size, k)) is not None
        )
        raise RequestError(
            Problem(
                where="design.block_size",
                found=f"{size} conditions in blocks of {design.block_size}",
                wrong="no balanced incomplete design of this shape is known here.",
                fix=f"use blocks of {known}." if known else "compare 3 to 7 conditions.",
            )
        )
    require_fit(plan, block_size=design.block_size, unconstrained=True)
    length = design.blocks * design.block_size
    return RelabelledTables(plan.condition_names, length, table=table, shuffled=True)


def _phase_change(plan: Plan) -> ReferenceSet:
    design = plan.design
    require_fit(plan, conditions=2, block_size=design.block_size)
    return PhaseChange(
        plan.condition_names,
        design.blocks * design.block_size,
        min_phase=design.constraints.min_phase or 1,
        reference=plan.condition_names.index(plan.reference.name),
    )


def _fixed(plan: Plan) -> ReferenceSet:
    names, order = plan.condition_names, plan.design.order
    length = plan.design.blocks * plan.design.block_size
    unknown = sorted(set(order) - set(names))
    unused = [name for name in names if name not in order]
    if len(order) != length or unknown or unused:
        raise RequestError(
            Problem(
                where="design.order",
                found=f"{len(order)} periods: " + " ".join(order),
                wrong=f"a fixed order names the condition of each of the {length} periods, and "
                "every condition at least once.",
                fix=f"list {length} of the names " + ", ".join(names) + ".",
            )
        )
    return FixedOrder(names, length, order=tuple(names.index(name) for name in order))


_BUILDERS: Final[dict[str, Callable[[Plan], ReferenceSet]]] = {
    "randomised-pairs": _randomised_pairs,
    "randomised-blocks": _randomised_blocks,
    "latin-square": _latin_square,
    "williams-square": _williams_square,
    "incomplete-blocks": _incomplete_blocks,
    "counterbalanced": _counterbalanced,
    "restricted": _restricted,
    "phase-change": _phase_change,
    "multi-day-blocks": _multi_day_blocks,
    "fixed": _fixed,
}
