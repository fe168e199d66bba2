"""How large a true effect must be before a trial of so many blocks would probably find it."""

from __future__ import annotations

from math import sqrt

from scipy.optimize import brentq
from scipy.special import fdtri, ncfdtr

from trialkit.errors import Problem, UnanswerableError

MOST_BLOCKS = 10_000
# Beyond this many standard errors (and with two degrees of freedom or more) the chance differs
# from 1 by less than 1e-15, and scipy's ncfdtr gives NaN at scattered arguments from 36 upwards.
_CERTAIN = 30.0


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


def blocks_df(blocks: float, conditions: int) -> float:
    """Degrees of freedom of the noise in ``blocks`` complete blocks."""
    return (blocks - 1) * (conditions - 1)


def detectable_effect(
    blocks: float, *, conditions: int = 2, power: float = 0.8, level: float = 0.95
) -> float:
    """True effect which the analysis of complete blocks finds with chance ``power``.

    Parameters
    ----------
    blocks
        Complete blocks (pairs when there are two conditions).

    Returns
    -------
    float
        The effect in typical errors: multiply by the outcome's typical error.

    Raises
    ------
    UnanswerableError
        With a single block, which leaves no degree of freedom for noise.

    Examples
    --------
    >>> round(detectable_effect(8), 2)
    1.63
    """
    df = blocks_df(blocks, conditions)
    if df <= 0:
        raise UnanswerableError(
            Problem(
                where="design.blocks",
                found=str(blocks),
                wrong="one block gives no estimate of noise.",
                fix="plan at least two blocks.",
            )
        )
    high = 1.0
    while power_of_t(high, df, level=level) < power:
        high *= 2
    in_se = brentq(lambda x: power_of_t(x, df, level=level) - power, 0.0, high, xtol=1e-10)
    return float(in_se) * sqrt(2 / blocks)


def blocks_needed(
    effect: float, *, conditions: int = 2, power: float = 0.8, level: float = 0.95
) -> int | None:
    """Fewest complete blocks that find a true effect (in typical errors) with chance ``power``.

    None for no effect, or when more than 10 000 would be needed.

    Examples
    --------
    >>> blocks_needed(1.63 * 1.01), blocks_needed(1.0)
    (8, 18)
    """
    if effect <= 0:
        return None
    low, high = 1, 2
    while not _finds(effect, high, conditions, power, level):
        low, high = high, high * 2
        if low > MOST_BLOCKS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        if _finds(effect, middle, conditions, power, level):
            high = middle
        else:
            low = middle
    return high


def _finds(effect: float, blocks: int, conditions: int, power: float, level: float) -> bool:
    reached = power_of_t(effect / sqrt(2 / blocks), blocks_df(blocks, conditions), level=level)
    return reached >= power
