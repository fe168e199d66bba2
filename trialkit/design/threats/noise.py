"""Threats from noise: none estimated, none known, or too much of it for the margin."""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt

from trialkit.design.detectable import blocks_needed, detectable_effect
from trialkit.design.precision import precision_of
from trialkit.design.threats.sizes import digits, in_user_units
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.outcomes import Outcome
from trialkit.domain.plans import Plan

# A detectable effect up to this many times the margin is a note, beyond it a weakness.
_FAR_ABOVE = 1.5


def find_noise_threats(plan: Plan) -> Iterator[Threat]:
    """One pair, no typical error, one without degrees of freedom, an effect beyond detection."""
    if precision_of(plan).df <= 0:
        yield _no_noise_estimate(plan)
    for outcome in (o for o in plan.outcomes if o is plan.primary):
        if outcome.typical_error is None:
            yield _no_typical_error(outcome)
            continue
        if outcome.typical_error.df is None:
            yield _typical_error_without_df(outcome)
        yield from _beyond_detection(plan, outcome)


def _no_noise_estimate(plan: Plan) -> Threat:
    primary = plan.primary
    known = primary.typical_error if primary else None
    borrowed = known is not None and known.df is not None and plan.analysis.method == "bayes"
    return Threat(
        id="no-noise-estimate",
        severity=Severity.WEAK if borrowed else Severity.CANNOT_ANSWER,
        text="Each condition is done once, so the trial has no noise estimate of its own: nobody "
        "can say how much the two results would differ with nothing changed.",
        fix="repeat the conditions in at least 6 randomised pairs.",
        size=0.0,
        unit="degrees of freedom",
    )


def _no_typical_error(outcome: Outcome) -> Threat:
    return Threat(
        id="no-typical-error",
        severity=Severity.WEAK,
        text=f"No typical error is given for {outcome.label}, so nobody can say beforehand what "
        "size of effect this trial could find.",
        fix="measure it in 4 or more baseline repeats, or name a published figure with its "
        "degrees of freedom.",
    )


def _typical_error_without_df(outcome: Outcome) -> Threat:
    return Threat(
        id="typical-error-without-df",
        severity=Severity.NOTE,
        text=f"The typical error of {outcome.label} comes without degrees of freedom, so it can "
        "help to plan but cannot be borrowed as knowledge of the noise.",
        fix="give df: (athletes - 1) x (trials - 1) of the reliability study.",
    )


def _beyond_detection(plan: Plan, outcome: Outcome) -> Iterator[Threat]:
    noise, margin = outcome.analysis_noise, outcome.analysis_margin
    precision = precision_of(plan)
    if not noise or margin is None or precision.df <= 0:
        return
    smallest = detectable_effect(precision, level=plan.analysis.level) * noise
    if smallest <= margin:
        return
    size, unit = in_user_units(outcome, smallest)
    mdc, _ = in_user_units(outcome, 1.96 * sqrt(precision.variance) * noise)
    wanted, _ = in_user_units(outcome, margin)
    needed = blocks_needed(plan, margin / noise)
    yield Threat(
        id="margin-beyond-detection",
        severity=Severity.WEAK if smallest > _FAR_ABOVE * margin else Severity.NOTE,
        text=f"This plan probably finds (chance 80 %) a true effect of {digits(size)} {unit} "
        f"or more (noise alone reaches {digits(mdc)} {unit} in one trial of twenty), while "
        f"{digits(wanted)} {unit} already matters.",
        fix=f"plan {needed} blocks, or lower the noise: average two efforts in each period, or "
        "choose a steadier outcome."
        if needed
        else "choose a steadier outcome; no practicable number of blocks is enough.",
        size=size,
        unit=unit,
    )
