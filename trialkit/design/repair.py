"""The same question asked so that it can be answered: a repaired plan with a list of changes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import time
from math import ceil
from typing import Final

from trialkit.design.detectable import blocks_needed
from trialkit.design.fit import blocks_step
from trialkit.design.threats import find_threats
from trialkit.design.threats.exposure import CLOCK_SPREAD_H, REST_HALF_LIVES
from trialkit.domain.allocations import Severity
from trialkit.domain.outcomes import Role
from trialkit.domain.plans import Constraints, Plan, Span

Step = Callable[[Plan, frozenset[str]], tuple[Plan, str]]

# Six pairs are the fewest whose randomisation test can reach 5 %; beyond sixteen blocks few
# athletes follow (both our judgement), so a margin that needs more is named, not planned.
_FEWEST_BLOCKS: Final = 6
_MOST_BLOCKS: Final = 16
# Practice and rest where the plan has none: our defaults, after the spacing of published trials
# (48 h to a week between maximal tests).
_FAMILIARISATION: Final = 2
_DAYS_BETWEEN: Final = 2
_DAYS_TO_ACT: Final = 3
_OPENS: Final = time(17)
_DAY_MIN: Final = 1440
_NO_CHANGE: Final = ""
_TOO_SHORT: Final = frozenset(
    {"order-and-effect", "no-noise-estimate", "too-few-blocks", "smallest-p", "too-few-sequences"}
)


def repair(plan: Plan) -> tuple[Plan, tuple[str, ...]]:
    """Change what keeps the plan from answering its question, and say every change.

    What only the athlete and coach can know (a margin, a typical error) is not invented: a line
    that starts with ``left open`` names it.

    Returns
    -------
    tuple
        The repaired plan (the same object when nothing was wrong) and one sentence per change.

    Raises
    ------
    RequestError
        When the plan does not fit its scheme; mend the file first.
    """
    found = frozenset(threat.id for threat in find_threats(plan))
    changes = []
    for step in _STEPS:
        plan, change = step(plan, found)
        changes.append(change)
    changes += [
        f"left open: {threat.text} To do: {threat.fix}"
        for threat in find_threats(plan)
        if threat.severity is not Severity.NOTE
    ]
    return plan, tuple(change for change in changes if change)


def _one_primary(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    if not found & {"two-primaries", "no-primary"}:
        return plan, _NO_CHANGE
    usable = [o for o in plan.outcomes if o.role is not Role.CHECK] or list(plan.outcomes)
    chosen = next((o for o in usable if o.role is Role.PRIMARY), usable[0])
    outcomes = tuple(
        replace(o, role=Role.PRIMARY)
        if o is chosen
        else replace(o, role=Role.SECONDARY)
        if o.role is Role.PRIMARY
        else o
        for o in plan.outcomes
    )
    return replace(plan, outcomes=outcomes), (
        f"{chosen.label} is the one primary outcome; the verdict is about it alone."
    )


def _all_out(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    if "matched-work" not in found:
        return plan, _NO_CHANGE
    return _redesign(plan, matched_work=False), (
        "The work is no longer matched by pacing: every effort is all-out, so that performance "
        "can show a difference."
    )


def _random_order(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    size = len(plan.conditions)
    unrandomised = plan.design.scheme == "fixed" or "too-few-sequences" in found
    slow = not plan.design.conditions_act_within_period
    if slow and (unrandomised or "cannot-respond" in found):
        days = Constraints(block_days=_DAYS_TO_ACT)
        changed = _redesign(
            plan,
            scheme="multi-day-blocks",
            block_size=size,
            periods_per_session=1,
            order=(),
            constraints=days,
        )
        daily = replace(plan.rest, between_periods=None, between_sessions=Span(1, 1, "day"))
        return replace(changed, rest=daily), (
            f"Each condition is kept for {_DAYS_TO_ACT} days in a row (multi-day blocks in random "
            "order), so that it has time to act."
        )
    if not unrandomised:
        return plan, _NO_CHANGE
    scheme = "randomised-pairs" if size == 2 else "randomised-blocks"
    changed = _redesign(plan, scheme=scheme, block_size=size, order=(), constraints=Constraints())
    return changed, f"The order is drawn at random within blocks ({scheme})."


def _enough_blocks(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    before, primary = plan.design.blocks, plan.primary
    wanted = before
    if found & _TOO_SHORT:
        wanted = max(wanted, _FEWEST_BLOCKS)
    if primary and primary.analysis_noise and primary.analysis_margin:
        needed = blocks_needed(plan, primary.analysis_margin / primary.analysis_noise)
        wanted = max(wanted, needed) if needed and needed <= _MOST_BLOCKS else wanted
    blocks = -(-wanted // blocks_step(plan)) * blocks_step(plan)
    if blocks == before:
        return plan, _NO_CHANGE
    return _redesign(plan, blocks=blocks), f"{blocks} blocks instead of {before}."


def _separate_days(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    several = plan.design.periods_per_session > 1
    if not several or not found & {"first-bout-prepares", "left-over", "rest-below-washout"}:
        return plan, _NO_CHANGE
    rest = replace(plan.rest, between_periods=None)
    return replace(_redesign(plan, periods_per_session=1), rest=rest), (
        "One period per session, on separate days: no period prepares or tires the next one."
    )


def _rest_enough(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    fade = max((o.half_life_min or 0.0) * REST_HALF_LIVES for o in plan.outcomes)
    asked = plan.rest.washout.low_min if plan.rest.washout else 0.0
    span = plan.rest.between_sessions
    days = ceil(max(fade, asked, span.low_min if span else 0.0) / _DAY_MIN)
    if span is None:
        days = max(days, _DAYS_BETWEEN)
    elif not found & {"left-over", "rest-below-washout"} or days * _DAY_MIN <= span.low_min:
        return plan, _NO_CHANGE
    # Where not every weekday will do, a range of a week always reaches the next one that does.
    room = 2 if len(plan.calendar.weekdays) == 7 else 7
    rested = Span(days, max(days + room, span.high if span and span.unit == "day" else 0), "day")
    return replace(plan, rest=replace(plan.rest, between_sessions=rested)), (
        f"{rested.low} to {rested.high} days from one session to the next."
    )


def _practice(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    if "no-familiarisation" not in found:
        return plan, _NO_CHANGE
    return _redesign(plan, familiarisation=_FAMILIARISATION), (
        f"{_FAMILIARISATION} familiarisation periods before the first, never analysed."
    )


def _same_clock_time(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    if "time-of-day" not in found:
        return plan, _NO_CHANGE
    opens = plan.calendar.window[0] if plan.calendar.window else _OPENS
    length = plan.calendar.session_min + int(60 * CLOCK_SPREAD_H)
    closes = min(opens.hour * 60 + opens.minute + length, _DAY_MIN - 1)
    window = (opens, time(*divmod(closes, 60)))
    return replace(plan, calendar=replace(plan.calendar, window=window)), (
        f"All sessions between {window[0]:%H:%M} and {window[1]:%H:%M}; choose the hours that suit."
    )


def _declared_looks(plan: Plan, found: frozenset[str]) -> tuple[Plan, str]:
    if "undeclared-looks" not in found or plan.analysis.max_blocks is None:
        return plan, _NO_CHANGE
    blocks, most = plan.design.blocks, plan.analysis.max_blocks
    if blocks >= most:
        changed = replace(plan.analysis, max_blocks=None)
        return replace(plan, analysis=changed), "No extension: the plan already has enough blocks."
    changed = replace(plan.analysis, looks=(blocks, most))
    return replace(plan, analysis=changed), f"Looks after {blocks} and {most} blocks are declared."


def _redesign(plan: Plan, **fields: object) -> Plan:
    return replace(plan, design=replace(plan.design, **fields))  # type: ignore[arg-type]


# Blocks come after the scheme, rests after the days are separate, looks after the blocks.
_STEPS: Final[tuple[Step, ...]] = (
    _one_primary,
    _all_out,
    _random_order,
    _separate_days,
    _enough_blocks,
    _rest_enough,
    _practice,
    _same_clock_time,
    _declared_looks,
)
