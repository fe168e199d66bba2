"""Threats from the order of the conditions and from what may be said about chance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from trialkit.design.fit import blocks_step
from trialkit.design.order_quality import contrast_variance, drift_bias
from trialkit.design.reference_sets import ReferenceSet
from trialkit.design.schemes import possible_sequences, too_few_sequences
from trialkit.design.threats.sizes import digits, of_typical_error
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.outcomes import Scale
from trialkit.domain.plans import Plan

# A plan that needs more blocks than this for its test is told so without a number.
_MOST_BLOCKS = 40
_RANDOMISE = "draw the order at random within blocks (scheme randomised-pairs or randomised-blocks)"


def find_order_threats(plan: Plan) -> Iterator[Threat]:
    """Fixed, alternating and single orders; tests that cannot reach a small p; lasting noise."""
    possible = possible_sequences(plan)
    single = plan.design.blocks == 1 and plan.design.block_size == len(plan.conditions)
    if possible.count() == 1 or single:
        yield _order_and_effect(plan, next(possible.sequences()))
    elif plan.design.scheme == "phase-change" and possible.count():
        yield _drift_in_phases(plan, possible)
    yield from _reachable_p(plan, possible)
    yield from _lasting_noise(plan, possible)


def _largest_bias(plan: Plan, sequence: Sequence[str]) -> float:
    reference = plan.reference.name
    others = [name for name in plan.condition_names if name != reference and name in sequence]
    return max(abs(drift_bias(sequence, condition=c, reference=reference)) for c in others)


def _drift_size(plan: Plan, bias: float) -> tuple[float, str, str]:
    """Size, unit and words of a bias of so many drift steps."""
    primary = plan.primary
    expected = of_typical_error(plan, abs(plan.expected.drift) * bias)
    if plan.expected.drift and expected:
        size, unit = expected
        return size, unit, f"the drift this plan expects adds {digits(size)} {unit} to the answer"
    own = "%" if primary and primary.scale is Scale.LOG else primary.unit if primary else "unit"
    words = f"a drift of 1 {own} per period adds {digits(bias)} {own} to the answer"
    return bias, "times the drift per period", words


def _order_and_effect(plan: Plan, sequence: Sequence[str]) -> Threat:
    bias = _largest_bias(plan, sequence)
    size, unit, words = _drift_size(plan, bias)
    drawn = plan.design.scheme not in ("fixed", "phase-change")
    if bias == 0:
        return Threat(
            id="order-and-effect",
            severity=Severity.WEAK,
            text="The order is fixed: it cancels a steady drift, but not any other change over "
            "time, and nobody can be kept from knowing what comes next.",
            fix=_RANDOMISE + ".",
            size=0.0,
            unit=unit,
        )
    return Threat(
        id="order-and-effect",
        severity=Severity.CANNOT_ANSWER,
        text="Order and effect can't be told apart: what comes later also meets an athlete who is "
        f"fitter, more tired or more practised, and {words}.",
        fix="plan at least 6 blocks." if drawn else _RANDOMISE + ", with at least 6 blocks.",
        size=size,
        unit=unit,
    )


def _drift_in_phases(plan: Plan, possible: ReferenceSet) -> Threat:
    bias = max(_largest_bias(plan, sequence) for sequence in possible.sequences())
    size, unit, words = _drift_size(plan, bias)
    return Threat(
        id="drift-in-phases",
        severity=Severity.WEAK,
        text=f"One change of phase looks just like a drift: {words}.",
        fix="let the conditions change often: randomised pairs, or multi-day blocks when the "
        "condition needs days to act.",
        size=size,
        unit=unit,
    )


def _reachable_p(plan: Plan, possible: ReferenceSet) -> Iterator[Threat]:
    if too_few_sequences(plan, possible):
        yield Threat(
            id="too-few-sequences",
            severity=Severity.CANNOT_ANSWER,
            text=f"The constraints leave {possible.count()} possible orders, too few for a "
            "randomisation test to tell an effect from chance.",
            fix="loosen the constraints or plan more blocks.",
            size=float(possible.count()),
            unit="orders",
        )
    elif possible.count() > 1 and possible.smallest_p > 1 - plan.analysis.level + 1e-12:
        yield Threat(
            id="smallest-p",
            severity=Severity.WEAK,
            text="With so few possible orders the randomisation test cannot get below "
            f"p = {digits(possible.smallest_p)}, however large the effect is.",
            fix=_blocks_for_p(plan),
            size=possible.smallest_p,
            unit="p",
        )


def _blocks_for_p(plan: Plan) -> str:
    limit = 1 - plan.analysis.level + 1e-12
    step = blocks_step(plan)
    for blocks in range(plan.design.blocks + step, _MOST_BLOCKS + 1, step):
        wider = possible_sequences(replace(plan, design=replace(plan.design, blocks=blocks)))
        if wider.smallest_p <= limit:
            return f"plan {blocks} blocks or more."
    return "plan more blocks, or a scheme with more possible orders."


def _lasting_noise(plan: Plan, possible: ReferenceSet) -> Iterator[Threat]:
    phi = plan.expected.phi
    answered = plan.analysis.method in ("serial", "randomisation")
    unrandomised = plan.design.scheme in ("fixed", "phase-change") and possible.count()
    if phi == 0 or answered or not unrandomised:
        return
    ratio = max(_error_ratio(plan, sequence, phi) for sequence in possible.sequences())
    yield Threat(
        id="autocorrelation-ignored",
        severity=Severity.WEAK,
        text="Good and bad days are expected to last, which this analysis ignores: the true "
        f"standard error is {digits(ratio)} times the one it assumes.",
        fix="randomise in small blocks, which makes the usual analysis valid, or declare "
        'method = "serial".',
        size=ratio,
        unit="times the assumed standard error",
    )


def _error_ratio(plan: Plan, sequence: Sequence[str], phi: float) -> float:
    reference = plan.reference.name
    other = next(name for name in plan.condition_names if name != reference)
    true, assumed = (
        contrast_variance(sequence, condition=other, reference=reference, phi=value)
        for value in (phi, 0.0)
    )
    return float((true / assumed) ** 0.5)
