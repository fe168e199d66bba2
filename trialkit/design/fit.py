"""Whether a plan's conditions, blocks and constraints fit its scheme."""

from __future__ import annotations

from collections.abc import Iterator
from math import gcd

from trialkit.design.relabelled import incomplete_table
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError


def blocks_step(plan: Plan) -> int:
    """Return the number of which the plan's blocks have to be a multiple."""
    conditions, size = len(plan.conditions), plan.design.block_size
    if plan.design.scheme == "incomplete-blocks":
        table = incomplete_table(conditions, size)
        return len(table) if table else 1
    steps = {
        "counterbalanced": 2,
        "latin-square": conditions,
        "williams-square": conditions * (1 + conditions % 2),
        "restricted": conditions // gcd(conditions, size),
    }
    return steps.get(plan.design.scheme, 1)


def require_fit(
    plan: Plan,
    *,
    block_size: int,
    conditions: int | None = None,
    most: int | None = None,
    unconstrained: bool = False,
) -> None:
    """Refuse, with everything that is wrong at once, what the scheme cannot hold.

    ``conditions`` is their exact number where the scheme has one and ``most`` the most it can
    compare, ``unconstrained`` says that the scheme has no room for run and balance rules.

    Raises
    ------
    RequestError
        With one problem for each thing that does not fit.
    """
    problems = list(_condition_problems(plan, conditions, most))
    problems += _block_problems(plan, block_size)
    if unconstrained:
        problems += _constraint_problems(plan)
    if problems:
        raise RequestError(problems)


def _condition_problems(plan: Plan, exactly: int | None, most: int | None) -> Iterator[Problem]:
    number, scheme = len(plan.conditions), plan.design.scheme
    if exactly is not None and number != exactly:
        yield Problem(
            where="conditions",
            found=f"{number} conditions",
            wrong=f"{scheme} compares exactly {exactly}.",
            fix=f"name {exactly} conditions or choose another scheme.",
        )
    if number < 2 or (most is not None and number > most):
        yield Problem(
            where="conditions",
            found=f"{number} conditions",
            wrong=f"{scheme} compares 2 to {most} of them."
            if most
            else "a trial compares at least 2.",
            fix="change the conditions or use randomised-blocks.",
        )


def _block_problems(plan: Plan, block_size: int) -> Iterator[Problem]:
    design, blocks_of = plan.design, blocks_step(plan)
    if design.block_size != block_size:
        yield Problem(
            where="design.block_size",
            found=str(design.block_size),
            wrong=f"a block of {design.scheme} holds {block_size} conditions here.",
            fix=f"set block_size = {block_size}.",
        )
    if design.blocks < 1 or design.blocks % blocks_of:
        yield Problem(
            where="design.blocks",
            found=str(design.blocks),
            wrong="a trial needs at least one block."
            if blocks_of == 1
            else f"{design.scheme} needs a multiple of {blocks_of} blocks here.",
            fix=f"plan {max(1, -(-design.blocks // blocks_of)) * blocks_of} blocks.",
        )


def _constraint_problems(plan: Plan) -> Iterator[Problem]:
    limits = plan.design.constraints
    for name, value in (("longest_run", limits.longest_run), ("balance", limits.balance)):
        if value is not None:
            yield Problem(
                where=f"design.constraints.{name}",
                found=str(value),
                wrong=f"{plan.design.scheme} has a balance of its own and takes no such rule.",
                fix="leave it out, or use restricted, randomised-pairs or randomised-blocks.",
            )
