"""The draw: order and rests of a whole trial from one seed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from trialkit.design.draws import METHOD, Stream
from trialkit.design.schemes import block_length, reference_set
from trialkit.domain.allocations import Allocation, Period
from trialkit.domain.plans import Plan, Span


def draw(plan: Plan, *, seed: int) -> Allocation:
    """Draw the order of the conditions and the rests between them.

    Parameters
    ----------
    plan
        The plan; its scheme says which orders are possible, its rests in which ranges to draw.
    seed
        A whole number from 0 upwards. Order and rests come from two separate streams of it, so
        that changing a rest range never changes the order.

    Returns
    -------
    Allocation
        The periods in time order; ``rest`` is None before the first period and where the plan
        gives no range.

    Raises
    ------
    RequestError
        When the plan does not fit its scheme or the seed is negative.
    UnanswerableError
        When the plan's constraints leave too few sequences.
    """
    possible = reference_set(plan)
    sequence = possible.names(possible.pick(Stream(seed, "order")))
    stream = Stream(seed, "rest")
    spans = [_rest_before(plan, i) for i in range(len(sequence))]
    rests = [stream.between(span.low, span.high) if span else None for span in spans]
    periods = tuple(
        replace(period, condition=condition)
        for period, condition in zip(outline(plan, rests), sequence, strict=True)
    )
    return Allocation(scheme=plan.design.scheme, seed=seed, method=METHOD, periods=periods)


def outline(plan: Plan, rests: Sequence[int | None]) -> tuple[Period, ...]:
    """Lay out the periods with their rests and no conditions: all that dates need to know."""
    return tuple(_period(plan, i, rest) for i, rest in enumerate(rests))


def _period(plan: Plan, index: int, rest: int | None) -> Period:
    size = block_length(plan)
    span = _rest_before(plan, index)
    return Period(
        number=index + 1,
        block=index // size + 1,
        position=index % size + 1,
        session=index // plan.design.periods_per_session + 1,
        condition="",
        rest=rest,
        rest_unit=span.unit if span else None,
    )


def _rest_before(plan: Plan, index: int) -> Span | None:
    if index == 0:
        return None
    opens_session = index % plan.design.periods_per_session == 0
    return plan.rest.between_sessions if opens_session else plan.rest.between_periods
