"""Threats from noise: none estimated or too few blocks for it, none known, or too much of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import sqrt

from trialkit.design.detectable import blocks_needed, detectable_effect
from trialkit.design.fit import blocks_step
from trialkit.design.precision import precision_of
from trialkit.design.threats.expectations import reckoned_besides
from trialkit.design.threats.sizes import digits, in_user_units
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.outcomes import Outcome
from trialkit.domain.plans import Plan

# With fewer degrees of freedom inside blocks the analysis gives no verdict: the 95 % half-width
# is 8.6 typical errors with two pairs and 2.9 with three, 2.0 with four (a test holds the analysis
# to this number).
FEWEST_DF = 3

# A detectable effect up to this many times the margin is a note, beyond it a weakness.
_FAR_ABOVE = 1.5


def find_noise_threats(plan: Plan) -> Iterator[Threat]:
    """Too few pairs, no typical error, one without its df, an effect beyond detection."""
    if precision_of(plan).df <= 0:
        yield _no_noise_estimate(plan)
    elif not (knows_own_noise(plan) or borrows_noise(plan)):
        yield _too_few_blocks(plan)
    for outcome in (o for o in plan.outcomes if o is plan.primary):
        if outcome.typical_error is None:
            yield _no_typical_error(outcome)
            continue
        if outcome.typical_error.df is None:
            yield _typical_error_without_df(outcome)
        yield from _beyond_detection(plan, outcome)


def knows_own_noise(plan: Plan) -> bool:
    """Whether, with no period missed, the trial can know its own noise well enough."""
    if _holds_all(plan):
        return (plan.design.blocks - 1) * (len(plan.conditions) - 1) >= FEWEST_DF
    return precision_of(plan).df >= FEWEST_DF


def _holds_all(plan: Plan) -> bool:
    return plan.design.block_size >= len(plan.conditions)


def borrows_noise(plan: Plan) -> bool:
    """Whether the analysis falls back on the declared noise where its own is known too badly."""
    known = plan.primary.typical_error if plan.primary else None
    if known is None or known.df is None:
        return False
    by_itself = len(plan.conditions) == 2 or not _holds_all(plan)
    return plan.analysis.method == "bayes" or (plan.analysis.method == "auto" and by_itself)


def _no_noise_estimate(plan: Plan) -> Threat:
    declared = plan.analysis.method == "bayes" and borrows_noise(plan)
    return Threat(
        id="no-noise-estimate",
        severity=Severity.WEAK if declared else Severity.CANNOT_ANSWER,
        text="Each condition is done once, so the trial has no noise estimate of its own: nobody "
        "can say how much the two results would differ with nothing changed.",
        fix=f"repeat the conditions in at least 6 randomised {_blocks(plan)}.",
        size=0.0,
        unit="degrees of freedom",
    )


def _too_few_blocks(plan: Plan) -> Threat:
    number, blocks = plan.design.blocks, _blocks(plan)
    return Threat(
        id="too-few-blocks",
        severity=Severity.CANNOT_ANSWER,
        text=f"With {number} {blocks if number > 1 else blocks[:-1]} the trial knows its own noise "
        "too badly for a verdict: the analysis will refuse one, whatever is measured.",
        fix=f"plan at least {_fewest(plan)} {blocks} (6 pairs for a randomisation test that can "
        "reach p = 0.05), or give the typical error its degrees of freedom, so that it can be "
        "borrowed.",
        size=float(number),
        unit=blocks,
    )


def _fewest(plan: Plan) -> int:
    """Fewest blocks of the scheme with which the trial knows its own noise."""
    step = blocks = blocks_step(plan)
    while not knows_own_noise(replace(plan, design=replace(plan.design, blocks=blocks))):
        blocks += step
    return blocks


def _blocks(plan: Plan) -> str:
    return "pairs" if len(plan.conditions) == plan.design.block_size == 2 else "blocks"


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
    besides = reckoned_besides(plan)
    yield Threat(
        id="margin-beyond-detection",
        severity=Severity.WEAK if smallest > _FAR_ABOVE * margin else Severity.NOTE,
        text=f"At best (every period held, noise just the typical error) this plan finds, with a "
        f"chance of 80 %, a true effect of {digits(size)} {unit} or more (noise alone reaches "
        f"{digits(mdc)} {unit} in one trial of twenty), while {digits(wanted)} {unit} already "
        f"matters{_simulated(besides)}.",
        fix=f"plan at least {needed} {_blocks(plan)}, or lower the noise: average two efforts in "
        "each period, or choose a steadier outcome."
        if needed
        else "choose a steadier outcome; no practicable number of blocks is enough.",
        size=size,
        unit=unit,
    )


def _simulated(besides: tuple[str, ...]) -> str:
    if not besides:
        return ""
    told = ", ".join(besides[:-1]) + " and " + besides[-1] if len(besides) > 1 else besides[0]
    return f"; `trialkit power` also reckons with {told}, so trust its figure"
