"""Threats from how the conditions meet the athlete: rest, practice, pacing, clock, knowledge."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.design.threats.sizes import digits, duration, of_typical_error
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.outcomes import Outcome, Role
from trialkit.domain.plans import Plan
from trialkit.domain.units import find_unit
from trialkit.errors import RequestError

# More than this share left over after the rest is a threat; more than half is worse than none.
_LEFT_OVER = 0.05
_MOSTLY_LEFT = 0.5
REST_HALF_LIVES = 5
# Two hard efforts of one day need 2-6 h between them (common practice, no source).
_SAME_DAY_REST_MIN = 120
# Keep the clock time within an hour either way (common practice, no source).
CLOCK_SPREAD_H = 2.0
# Gain from the first to the second trial of a performance test: Hopkins, Schabort & Hawley 2001.
_FIRST_GAIN = 1.2
_PERFORMANCE = frozenset({"power", "speed", "time", "length", "energy", "count", "mass"})
_PACED_CHANNELS = frozenset({"power", "speed", "cadence", "distance"})


def find_exposure_threats(plan: Plan) -> Iterator[Threat]:
    """Left-over, a first bout that prepares, no practice, paced work, time of day, slow effects."""
    yield from _left_over(plan)
    yield from _expected_carryover(plan)
    yield from _below_washout(plan)
    yield from _first_bout(plan)
    yield from _no_familiarisation(plan)
    yield from _matched_work(plan)
    yield from _time_of_day(plan)
    days_to_act = plan.design.scheme in ("multi-day-blocks", "phase-change")
    if not plan.design.conditions_act_within_period and not days_to_act:
        yield _cannot_respond()


def shortest_rest_min(plan: Plan) -> float | None:
    """Shortest planned rest before any period, in minutes; None where the plan does not say."""
    spans = [plan.rest.between_sessions]
    if plan.design.periods_per_session > 1:
        spans.append(plan.rest.between_periods)
    known = [span.low_min for span in spans if span is not None]
    return min(known) if len(known) == len(spans) else None


def _left_over(plan: Plan) -> Iterator[Threat]:
    rest = shortest_rest_min(plan)
    for outcome in plan.outcomes:
        if not outcome.half_life_min:
            continue
        if rest is None:
            yield Threat(
                id="left-over",
                severity=Severity.WEAK,
                text=f"{outcome.label} takes {duration(outcome.half_life_min)} to come half way "
                "back, and the plan does not say how long the rest is.",
                fix="state the rest as a range in the protocol.",
            )
            continue
        share = 2 ** (-rest / outcome.half_life_min)
        if share > _LEFT_OVER:
            yield _too_short(plan, outcome, rest, share)


def _too_short(plan: Plan, outcome: Outcome, rest: float, share: float) -> Threat:
    enough = REST_HALF_LIVES * (outcome.half_life_min or 0.0)
    several = plan.design.periods_per_session > 1
    return Threat(
        id="left-over",
        severity=Severity.CANNOT_ANSWER if share > _MOSTLY_LEFT else Severity.WEAK,
        text=f"After {duration(rest)} of rest {digits(100 * share)} % of what a period did to "
        f"{outcome.label} is still there when the next one starts.",
        fix=f"rest at least {duration(enough)} between periods (five half-lives leave 3 %)"
        + (", or hold one period per session, on separate days." if several else "."),
        size=100 * share,
        unit="%",
    )


def _expected_carryover(plan: Plan) -> Iterator[Threat]:
    """Carryover the plan itself expects, and neither sizes by a half-life nor adjusts for."""
    sized = any(outcome.half_life_min for outcome in plan.outcomes)
    if plan.expected.carryover == 0 or plan.analysis.carryover != "prevented" or sized:
        return
    share = abs(plan.expected.carryover)
    size, unit = of_typical_error(plan, share) or (share, "typical errors")
    yield Threat(
        id="left-over",
        severity=Severity.WEAK,
        text=f"The plan expects {digits(size)} {unit} of a period's effect to be left when the "
        "next one starts, but declares that rest prevents it.",
        fix='lengthen the rest until nothing is left, or declare carryover = "adjusted" (always, '
        "never after a look at the data).",
        size=size,
        unit=unit,
    )


def _below_washout(plan: Plan) -> Iterator[Threat]:
    rest, washout = shortest_rest_min(plan), plan.rest.washout
    if washout is None or rest is None or rest >= washout.low_min:
        return
    per_unit = 1440 if washout.unit == "day" else 1
    short = (washout.low_min - rest) / per_unit
    yield Threat(
        id="rest-below-washout",
        severity=Severity.WEAK,
        text=f"The shortest rest falls {digits(short)} {washout.unit} short of the washout that "
        "this plan itself asks for.",
        fix="raise the lower end of the rest to the washout.",
        size=short,
        unit=washout.unit,
    )


def _first_bout(plan: Plan) -> Iterator[Threat]:
    if plan.design.periods_per_session < 2:
        return
    span = plan.rest.between_periods
    declared, effort = plan.design.first_period_prepares_next, plan.hazards.effort
    rested = span is not None and span.low_min >= _SAME_DAY_REST_MIN
    if not declared and (rested or effort == "none"):
        return
    undeclared = Severity.NOTE if effort == "submaximal" else Severity.WEAK
    carried = of_typical_error(plan, abs(plan.expected.carryover))
    size, unit = (span.low_min, "min of rest") if span else (None, None)
    if plan.expected.carryover and carried:
        size, unit = carried
    apart = f" {digits(span.low_min)} min apart" if span else ""
    yield Threat(
        id="first-bout-prepares",
        severity=Severity.CANNOT_ANSWER if declared else undeclared,
        text=f"With several periods in one session{apart} the first bout prepares the second (it "
        "is itself a warm-up, and it tires), so what follows never meets its condition alone.",
        fix="hold one period per session, on separate days.",
        size=size,
        unit=unit,
    )


def _no_familiarisation(plan: Plan) -> Iterator[Threat]:
    outcome = plan.primary or plan.outcomes[0]
    gain = outcome.familiarisation_gain
    practised = plan.design.familiarisation + plan.design.baseline > 0
    if practised or gain == 0:
        return
    source = "the plan's own figure"
    if gain is None and is_performance(outcome):
        gain, source = _FIRST_GAIN, "performance tests, Hopkins, Schabort & Hawley 2001"
    words = f" by about {digits(gain)} % ({source})" if gain is not None else ""
    yield Threat(
        id="no-familiarisation",
        severity=Severity.WEAK,
        text=f"No practice is planned, and the second attempt at a test usually beats the first"
        f"{words}, which the later condition would be credited with.",
        fix="plan at least one familiarisation period (two for recreational athletes, three for a "
        "new test) that is never analysed.",
        size=gain,
        unit="%" if gain is not None else None,
    )


def is_performance(outcome: Outcome) -> bool:
    """Whether pacing fixes this outcome: work, speed, power, time or count, not a body signal."""
    if outcome.subjective or outcome.role is Role.CHECK or outcome.unit == "ms":
        return False
    if outcome.measure is not None:
        return outcome.measure.channel in _PACED_CHANNELS
    try:
        return find_unit(outcome.unit).dimension in _PERFORMANCE
    except RequestError:  # a unit of the athlete's own, as rounds or holds
        return True


def _matched_work(plan: Plan) -> Iterator[Threat]:
    if not plan.design.matched_work:
        return
    for outcome in filter(is_performance, plan.outcomes):
        yield Threat(
            id="matched-work",
            severity=Severity.CANNOT_ANSWER if outcome.role is Role.PRIMARY else Severity.WEAK,
            text="Pacing to match the work removes the performance outcome: "
            f"{outcome.label} is held equal by instruction, so it cannot show a difference.",
            fix="let the athlete go all-out and keep performance as the outcome, or keep the "
            "matched work and make a body signal or the rating of effort the primary outcome.",
            size=100.0,
            unit="%",
        )


def _time_of_day(plan: Plan) -> Iterator[Threat]:
    if plan.design.constraints.balance == "time_of_day":
        return
    spread = clock_spread_h(plan)
    if spread is not None and spread <= CLOCK_SPREAD_H:
        return
    said = f"{digits(spread)} h" if spread is not None else "any number of hours"
    yield Threat(
        id="time-of-day",
        severity=Severity.NOTE if spread is None else Severity.WEAK,
        text=f"Sessions may start {said} apart on the clock, and from morning to evening sprints "
        "and jumps alone change by 3 to 12 % (review of 2022).",
        fix=f"{_window_fix(plan)} within 2 h of each other, or balance the order over time of day.",
        size=spread,
        unit="h" if spread is not None else None,
    )


def _window_fix(plan: Plan) -> str:
    if plan.calendar.window is None:
        return "give the calendar a time window that lets sessions start"
    return "narrow the calendar's time window so that sessions start"


def clock_spread_h(plan: Plan) -> float | None:
    """Hours between the earliest and the latest start the window allows; None without one."""
    if plan.calendar.window is None:
        return None
    opens, closes = (t.hour + t.minute / 60 for t in plan.calendar.window)
    return max(0.0, closes - opens - plan.calendar.session_min / 60)


def _cannot_respond() -> Threat:
    return Threat(
        id="cannot-respond",
        severity=Severity.CANNOT_ANSWER,
        text="The condition needs longer to act than one period lasts, so every period measures "
        "a mixture of the conditions.",
        fix="lengthen the periods, for example multi-day blocks in which only the last days count.",
    )
