"""The schemes by name: from a plan to the set of sequences that could be drawn for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.reference_sets import ReferenceSet
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError


def scheme_names() -> tuple[str, ...]:
    """Names of all schemes a plan may ask for."""
    return tuple(_BUILDERS)


def reference_set(plan: Plan) -> ReferenceSet:
    """Every sequence the plan's scheme could draw.

    Raises
    ------
    RequestError
        When the scheme is not known, or its conditions, blocks and block size do not fit together.
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


def _randomised_pairs(plan: Plan) -> ReferenceSet:
    _require(plan, conditions=2, block_size=2)
    return ShuffledBlocks(plan.condition_names, 2 * plan.design.blocks)


def _randomised_blocks(plan: Plan) -> ReferenceSet:
    size = len(plan.conditions)
    _require(plan, block_size=size)
    return ShuffledBlocks(plan.condition_names, size * plan.design.blocks)


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
}
