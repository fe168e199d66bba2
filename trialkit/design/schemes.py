"""The schemes by name: from a plan to the set of sequences that could be drawn for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.phases import FixedOrder, PhaseChange
from trialkit.design.reference_sets import ReferenceSet
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


def _randomised_pairs(plan: Plan) -> ReferenceSet:
    _require(plan, conditions=2, block_size=2)
    return ShuffledBlocks(plan.condition_names, 2 * plan.design.blocks)


def _randomised_blocks(plan: Plan) -> ReferenceSet:
    size = len(plan.conditions)
    _require(plan, block_size=size)
    return ShuffledBlocks(plan.condition_names, size * plan.design.blocks)


def _phase_change(plan: Plan) -> ReferenceSet:
    design = plan.design
    _require(plan, conditions=2, block_size=design.block_size)
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


def _require(plan: Plan, *, block_size: int, conditions: int | None = None) -> None:
    """Refuse, with everything that is wrong at once, what the scheme cannot hold."""
    scheme, problems = plan.design.scheme, []
    if conditions is not None and len(plan.conditions) != conditions:
        problems.append(
            Problem(
                where="conditions",
                found=f"{len(plan.conditions)} conditions",
                wrong=f"{scheme} compares exactly {conditions}.",
                fix=f"name {conditions} conditions or choose another scheme.",
            )
        )
    if plan.design.block_size != block_size:
        problems.append(
            Problem(
                where="design.block_size",
                found=str(plan.design.block_size),
                wrong=f"a block of {scheme} holds {block_size} periods here.",
                fix=f"set block_size = {block_size}.",
            )
        )
    if plan.design.blocks < 1:
        problems.append(
            Problem(
                where="design.blocks",
                found=str(plan.design.blocks),
                wrong="a trial needs at least one block.",
                fix="give the number of blocks.",
            )
        )
    if problems:
        raise RequestError(problems)


_BUILDERS: Final[dict[str, Callable[[Plan], ReferenceSet]]] = {
    "randomised-pairs": _randomised_pairs,
    "randomised-blocks": _randomised_blocks,
    "phase-change": _phase_change,
    "fixed": _fixed,
}
