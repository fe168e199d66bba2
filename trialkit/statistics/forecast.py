"""How many further blocks would probably settle an unsettled verdict.

Predictive distribution of the final analysis with unknown noise (Spiegelhalter, Abrams & Myles
2004, Bayesian Approaches to Clinical Trials, section 6.5), by quadrature over the noise, the new
mean and the new residuals. A plug-in calculation that takes the estimate for the truth promises
too much.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm, t

from trialkit.statistics.bayes import Evidence, NoisePrior, StudentPosterior, posterior
from trialkit.statistics.fixed_effects import Array

# Chance of a settled verdict that makes a number of further blocks worth naming.
PROBABLY = 0.8
# Points of equal probability: noise, residuals of the further blocks, mean of the further blocks.
_POINTS = (41, 31, 101)


@dataclass(frozen=True, slots=True)
class Settling:
    """What further blocks would probably do.

    ``blocks`` is the smallest number whose chance of a settled verdict reaches 80 %, None when no
    number up to the maximum does; ``chance`` the chance at that number, or the best chance
    reached.
    """

    blocks: int | None
    chance: float


@dataclass(frozen=True, slots=True)
class Analysis:
    """How the final analysis will judge: margin, level, borrowed noise, df gained per block.

    ``worth`` is what a further block tells of the difference beside one complete block of two.
    """

    margin: float
    level: float = 0.95
    noise: NoisePrior | None = None
    df_per_block: float = 1.0
    worth: float = 1.0


def blocks_to_settle(evidence: Evidence, analysis: Analysis, *, most: int) -> Settling:
    """Find how many further blocks (up to ``most``) would probably settle the verdict.

    Settled means that the interval at the level of the analysis leaves out zero, or the one of
    two one-sided tests lies inside the margins.

    Raises
    ------
    UnanswerableError
        When neither the trial nor borrowed noise says how noisy a measurement is.
    """
    best = 0.0
    for further in range(1, most + 1):
        chance = chance_settled(evidence, analysis, further=further)
        if chance >= PROBABLY:
            return Settling(further, chance)
        best = max(best, chance)
    return Settling(None, best)


def chance_settled(evidence: Evidence, analysis: Analysis, *, further: int) -> float:
    """Chance that the verdict is settled after ``further`` more blocks."""
    belief = posterior(evidence, noise=analysis.noise)
    assert isinstance(belief, StudentPosterior)  # the effect prior is flat here
    gained = further * analysis.df_per_block
    # In complete blocks of two, whatever the design: pairs that would tell as much.
    blocks, added = 2 / evidence.unit_variance, further * analysis.worth
    total = blocks + added
    # Axes: noise, new residuals, position of the new mean.
    variance = belief.noise**2 * belief.df / chi2.ppf(_middles(0), belief.df)[:, None, None]
    residual = chi2.ppf(_middles(1), gained - 1) if gained > 1 else np.zeros(1)
    z = norm.ppf(_middles(2))[None, None, :]
    mean = evidence.difference + np.sqrt(variance) * z * sqrt(2 * added / (blocks * total))
    # The new blocks' mean adds variance * z^2 to the residuals because it differs from the old.
    ss = belief.noise**2 * belief.df + variance * (z**2 + residual[None, :, None])
    df = belief.df + gained
    return float(np.mean(_settled(mean, np.sqrt(ss / df * 2 / total), df, analysis)))


def _settled(mean: Array, se: Array, df: float, analysis: Analysis) -> NDArray[np.bool_]:
    tail = 1 - analysis.level
    clear = np.abs(mean) > float(t.isf(tail / 2, df)) * se
    inside = np.abs(mean) + float(t.isf(tail, df)) * se < analysis.margin
    return np.asarray(clear | inside)


def _middles(axis: int) -> Array:
    return np.asarray((np.arange(_POINTS[axis]) + 0.5) / _POINTS[axis])
