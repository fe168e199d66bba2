"""How large a true effect must be before a trial would probably find it."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from typing import Final

from scipy.optimize import brentq
from scipy.special import fdtri, ncfdtr

from trialkit.design.fit import blocks_step
from trialkit.design.precision import Precision, precision_of
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, UnanswerableError

MOST_BLOCKS: Final = 10_000
POWER: Final = 0.8
# Beyond this many standard errors (and with two degrees of freedom or more) the chance differs
# from 1 by less than 1e-15, and scipy's ncfdtr gives NaN at scattered arguments from 36 upwards.
_CERTAIN: Final = 30.0


def power_of_t(effect_se: float, df: float, *, level: float = 0.95) -> float:
    """Chance that a two-sided t test finds a true effect of ``effect_se`` standard errors.

    The noncentral F with 1 and ``df`` degrees of freedom is used, because the noncentral t of
    common libraries fails at the few degrees of freedom of small trials.

    Examples
    --------
    >>> round(power_of_t(0.0, 7), 6)
    0.05
    """
    if df >= 2 and effect_se > _CERTAIN:
        return 1.0
    limit = fdtri(1, df, level)
    return float(1 - ncfdtr(1, df, effect_se**2, limit))


def detectable_effect(precision: Precision, *, power: float = POWER, level: float = 0.95) -> float:
    """True effect which a trial of this precision finds with chance ``power``.

    Returns
    -------
    float
        The effect in typical errors: multiply by the outcome's typical error.

    Raises
    ------
    UnanswerableError
        When no degree of freedom is left for noise.

    Examples
    --------
    >>> round(detectable_effect(Precision(variance=2 / 8, df=7)), 2)
    1.63
    """
    if precision.df <= 0:
        raise UnanswerableError(
            Problem(
                where="design.blocks",
                found=f"{precision.df:g} degrees of freedom",
                wrong="the trial has no estimate of noise of its own.",
                fix="plan at least two blocks.",
            )
        )
    high = 1.0
    while power_of_t(high, precision.df, level=level) < power:
        high *= 2
    in_se = brentq(
        lambda x: power_of_t(x, precision.df, level=level) - power, 0.0, high, xtol=1e-10
    )
    return float(in_se) * sqrt(precision.variance)


def blocks_needed(plan: Plan, effect: float, *, power: float = POWER) -> int | None:
    """Fewest blocks with which the plan finds a true effect (in typical errors) this probably.

    A number of blocks its scheme can hold; None for no effect, or when more than 10 000 would be
    needed. A fixed order has no more blocks than it names: randomise it first.
    """
    step = blocks_step(plan)
    if effect <= 0 or plan.design.scheme == "fixed":
        return None

    def finds(steps: int) -> bool:
        more = replace(plan, design=replace(plan.design, blocks=steps * step))
        precision = precision_of(more)
        in_se = effect / sqrt(precision.variance)
        level = plan.analysis.level
        return precision.df > 0 and power_of_t(in_se, precision.df, level=level) >= power

    low, high = 0, 1
    while not finds(high):
        low, high = high, high * 2
        if low * step > MOST_BLOCKS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if finds(middle) else (middle, high)
    return high * step
