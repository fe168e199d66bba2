"""The method paragraph, ready for a paper, put together from the plan and what was done."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from trialkit.domain.outcomes import Scale
from trialkit.domain.plans import Plan, Span
from trialkit.report.content import OutcomeResult, PageContent
from trialkit.report.numbers import Numbers
from trialkit.report.words.pictures import lower_first
from trialkit.report.words.verdicts import declared_margin

METHODS: Final = {
    "paired": "the paired t test on block differences",
    "mixed": (
        "a linear mixed model with a random effect of block, fitted by restricted maximum "
        "likelihood, with the small-sample adjustment of Kenward and Roger (1997)"
    ),
    "serial": (
        "generalised least squares with serial correlation decaying in time, fitted by "
        "restricted maximum likelihood"
    ),
    "randomisation": "a randomisation test over the orders the design could have drawn",
    "bayes": "a Bayesian analysis with a prior on the noise from reliability data",
}
_SCHEMES: Final = {
    "multi-day-blocks": "the order of the runs of days within each block drawn at random",
    "latin-square": "the order drawn from all Latin squares",
    "randomised-pairs": "the order within each pair drawn at random",
    "randomised-blocks": "the order within each block drawn at random",
    "fixed": "the order fixed beforehand, not drawn",
}


def method_paragraph(content: PageContent, numbers: Numbers) -> str:
    """Describe design, order, outcome, analysis and versions in one paragraph."""
    parts = [_design(content.plan), _rests(content.plan), _order(content)]
    result = content.primary
    if result is not None:
        parts += [_outcome(result, numbers), _analysis(result, numbers)]
    if content.versions:
        told = ", ".join(f"{name} {version}" for name, version in content.versions.items())
        parts.append(f"Computed with {told}.")
    return " ".join(part for part in parts if part)


def _design(plan: Plan) -> str:
    design = plan.design
    *first, last = [lower_first(c.label) for c in plan.conditions]
    names = f"{', '.join(first)} and {last}"
    scheme = _SCHEMES.get(design.scheme, f"the order drawn by the scheme {design.scheme}")
    practice = (
        f" after {design.familiarisation} practice periods that were not analysed"
        if design.familiarisation
        else ""
    )
    kind = "N-of-1 trial" if design.scheme == "fixed" else "Randomised n-of-1 trial"
    return f"{kind} comparing {names} in one athlete over {in_blocks(plan)}{practice}, {scheme}."


def _rests(plan: Plan) -> str:
    told = [
        f"{in_words(span)} between {what}"
        for span, what in (
            (plan.rest.between_periods, "periods of one session"),
            (plan.rest.between_sessions, "sessions"),
        )
        if span is not None
    ]
    if not told:
        return ""
    spans = (plan.rest.between_periods, plan.rest.between_sessions)
    drawn = any(span is not None and span.low != span.high for span in spans)
    within = ", drawn within these limits" if drawn else ""
    return f"Rests: {' and '.join(told)}{within}."


def in_blocks(plan: Plan) -> str:
    """How many blocks of how many periods were planned."""
    design, days = plan.design, plan.design.constraints.block_days
    if design.scheme == "multi-day-blocks" and days:
        return f"{design.blocks} blocks of {design.block_size} runs of {days} days"
    return f"{design.blocks} blocks of {design.block_size} periods"


def in_words(span: Span) -> str:
    """A range of rests with its unit."""
    if span.unit == "min" and span.low >= 120 and span.low % 60 == span.high % 60 == 0:
        span = replace(span, low=span.low // 60, high=span.high // 60, unit="h")
    unit = {"h": "h", "min": "min", "day": "day" if span.high == 1 else "days"}[span.unit]
    return f"{span.low} to {span.high} {unit}" if span.high != span.low else f"{span.low} {unit}"


def _order(content: PageContent) -> str:
    seal = content.seal
    if seal is None:
        return ""
    seed = "" if seal.seed is None else f", seed {seal.seed}"
    method = f" ({seal.method}{seed})" if seal.method else ""
    made = "fixed" if content.plan.design.scheme == "fixed" else "drawn"
    return (
        f"The protocol was frozen and the order {made}{method} and sealed before the first period; "
        f"SHA-256 of the protocol {seal.protocol_sha256}."
    )


def _outcome(result: OutcomeResult, numbers: Numbers) -> str:
    outcome = result.outcome
    told = f"The primary outcome was {lower_first(outcome.label)} ({outcome.unit})"
    if outcome.scale is Scale.LOG:
        told += ", analysed as its natural logarithm"
    if outcome.worthwhile is None:
        return f"{told}; no smallest worthwhile change was declared."
    return (
        f"{told}; the smallest worthwhile change, declared in the plan, was "
        f"{declared_margin(outcome, numbers)} ({outcome.worthwhile.reason.rstrip('.')})."
    )


def _analysis(result: OutcomeResult, numbers: Numbers) -> str:
    estimate = result.estimate
    if estimate is None:
        return "The primary outcome could not be analysed."
    method = METHODS.get(estimate.method, estimate.method)
    decision = "" if estimate.decision is None else _rule(result.contrast.interval.level, numbers)
    return (
        f"The difference was estimated by {method} from {estimate.n} periods in "
        f"{estimate.blocks} blocks.{decision}"
    )


def _rule(level: float, numbers: Numbers) -> str:
    # The narrower interval is that of two one-sided tests at the same error on each side.
    narrow, side = numbers.level(2 * level - 1), numbers.level(1 - level)
    return (
        f" The verdict compares the {numbers.level(level)} interval with zero and with the margin, "
        f"and calls a difference not worthwhile when the {narrow} interval lies inside the margin "
        f"(two one-sided tests at {side})."
    )
