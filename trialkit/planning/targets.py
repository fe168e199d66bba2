"""Planning by target for complete pairs: wanted power, given blocks, wanted precision."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, isfinite

from trialkit.domain.plans import Plan
from trialkit.errors import Problem, UnanswerableError
from trialkit.planning.gains import GainScale
from trialkit.planning.noncentral import (
    blocks_for_half_width,
    blocks_for_power,
    expected_half_width,
    smallest_effect,
)


@dataclass(frozen=True, slots=True)
class Targets:
    """Answers in closed form, gains and widths in ``unit``.

    ``blocks_for_power`` pairs show a true gain of ``effect`` with chance ``power`` (None when no
    number does); ``smallest_effect`` is the true gain that the plan's ``blocks`` pairs show with
    that chance and ``half_width`` their median interval half-width; ``blocks_for_precision`` pairs
    bring the half-width down to ``wanted_half_width``.
    """

    unit: str
    blocks: int
    power: float
    effect: float
    blocks_for_power: int | None
    smallest_effect: float
    half_width: float
    wanted_half_width: float
    blocks_for_precision: int


def targets(
    plan: Plan,
    *,
    power: float = 0.8,
    effect: float | None = None,
    half_width: float | None = None,
) -> Targets:
    """Answer the three planning questions for complete randomised pairs.

    Parameters
    ----------
    plan
        The protocol with its primary outcome and typical error.
    power
        Wanted chance that the interval excludes zero.
    effect
        True gain in the unit of the margin; twice the margin when None.
    half_width
        Wanted half-width in the same unit; the margin when None.

    Raises
    ------
    UnanswerableError
        When the plan is not made of pairs, has no typical error, or has no margin and none of the
        two gains is given.
    """
    scale = GainScale.of(plan)
    require_pairs(plan)
    effect = _or_margins(scale, effect, 2.0)
    half_width = _or_margins(scale, half_width, 1.0)
    level, blocks = plan.analysis.level, plan.design.blocks
    needed = blocks_for_power(power, scale.inside(effect), level=level)
    return Targets(
        unit=scale.unit,
        blocks=blocks,
        power=power,
        effect=effect,
        blocks_for_power=ceil(needed - 1e-9) if isfinite(needed) else None,
        smallest_effect=scale.outside(smallest_effect(blocks, power=power, level=level)),
        half_width=scale.outside(expected_half_width(blocks, level=level)),
        wanted_half_width=half_width,
        blocks_for_precision=blocks_for_half_width(scale.inside(half_width), level=level),
    )


def _or_margins(scale: GainScale, gain: float | None, margins: float) -> float:
    if gain is not None:
        return gain
    if scale.margin is None:
        raise UnanswerableError(
            Problem(
                where="worthwhile",
                found="no smallest worthwhile change",
                wrong="a target has to be measured against something.",
                fix="declare the margin, or give the effect and the half-width.",
            )
        )
    return margins * scale.margin


def require_pairs(plan: Plan) -> None:
    """Refuse a plan that is not made of pairs.

    Raises
    ------
    UnanswerableError
        With other than two conditions, or other blocks.
    """
    if len(plan.conditions) != 2 or plan.design.block_size != 2:
        raise UnanswerableError(
            Problem(
                where="design",
                found=f"{len(plan.conditions)} conditions in blocks of {plan.design.block_size}",
                wrong="the closed forms hold for pairs only.",
                fix="use the simulated operating characteristics.",
            )
        )
