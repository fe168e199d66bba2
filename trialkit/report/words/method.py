"""The method paragraph, ready for a paper, put together from the plan and what was done."""

from __future__ import annotations

from typing import Final

from trialkit.domain.outcomes import Scale
from trialkit.domain.plans import Plan
from trialkit.report.content import Kind, OutcomeResult, PageContent
from trialkit.report.numbers import Numbers
from trialkit.report.words.pictures import lower_first
from trialkit.report.words.rests import rest_sentences
from trialkit.report.words.verdicts import counted, declared_margin

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
    parts = [_design(content), rest_sentences(content, numbers), _order(content)]
    result = content.primary
    if result is not None:
        parts += [_outcome(result, numbers), _analysis(result, numbers)]
    if content.versions:
        told = ", ".join(f"{name} {version}" for name, version in content.versions.items())
        parts.append(f"Computed with {told}.")
    return " ".join(part for part in parts if part)


def _design(content: PageContent) -> str:
    plan, design = content.plan, content.plan.design
    *first, last = [lower_first(c.label) for c in plan.conditions]
    names = f"{', '.join(first)} and {last}"
    scheme = _SCHEMES.get(design.scheme, f"the order drawn by the scheme {design.scheme}")
    kind = "N-of-1 trial" if design.scheme == "fixed" else "Randomised n-of-1 trial"
    told = f"{kind} comparing {names} in one athlete over {in_blocks(plan)}, {scheme}."
    return f"{told} {_practice(content)}".strip()


def _practice(content: PageContent) -> str:
    """Practice that was entered; what was planned and not entered is said to be so."""
    planned = content.plan.design.familiarisation
    held = sum(p.kind is Kind.FAMILIARISATION for p in content.periods)
    if held:
        of = f" (of {planned} planned)" if planned > held else ""
        periods = counted(held, "periods")
        return f"Before it, {held} practice {periods}{of} {_were(held)} held and not analysed."
    if planned:
        periods = counted(planned, "periods")
        return f"{planned} practice {periods} {_were(planned)} planned; none was entered."
    return ""


def _were(number: int) -> str:
    return "was" if number == 1 else "were"


def in_blocks(plan: Plan) -> str:
    """How many blocks of how many periods were planned."""
    design, days = plan.design, plan.design.constraints.block_days
    blocks = f"{design.blocks} {counted(design.blocks, 'blocks')}"
    if design.scheme == "multi-day-blocks" and days:
        return f"{blocks} of {design.block_size} runs of {days} days"
    return f"{blocks} of {design.block_size} {counted(design.block_size, 'periods')}"


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
        f"The difference was estimated by {method} from {estimate.n} "
        f"{counted(estimate.n, 'periods')} in {estimate.blocks} "
        f"{counted(estimate.blocks, 'blocks')}.{decision}"
    )


def _rule(level: float, numbers: Numbers) -> str:
    # The narrower interval is that of two one-sided tests at the same error on each side.
    narrow, side = numbers.level(2 * level - 1), numbers.level(1 - level)
    return (
        f" The verdict compares the {numbers.level(level)} interval with zero and with the margin, "
        f"and calls a difference not worthwhile when the {narrow} interval lies inside the margin "
        f"(two one-sided tests at {side})."
    )
