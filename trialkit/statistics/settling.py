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

from trialkit.statistics.bayes import Evidence, NoisePrior, noise_after
from trialkit.statistics.quadrature import sd_ratio_nodes

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Settling:
    """What further blocks would probably do.

    ``blocks`` is the smallest number whose chance of a settled verdict reaches ``target``, None
    when no number up to ``max_blocks`` does; ``chance`` the chance at that number, or the best
    chance reached. ``chances`` lists the chance after 1, 2, ... further blocks as far as computed.
    """

    blocks: int | None
    chance: float
    target: float
    max_blocks: int
    chances: tuple[float, ...]


def blocks_to_settle(
    evidence: Evidence,
    *,
    margin: float,
    noise: NoisePrior | None = None,
    max_blocks: int = 30,
    target: float = 0.8,
    borrow: bool = False,
) -> Settling:
    """Find how many further blocks would settle the verdict with the wanted chance.

    Settled means that the 95 % interval leaves out zero, or the 90 % interval lies inside the
    margins. ``noise`` informs the prediction; with ``borrow`` the final analysis uses it too.

    Raises
    ------
    UnanswerableError
        When neither the trial nor ``noise`` says how noisy a measurement is.
    """
    found: list[float] = []
    for further in range(1, max_blocks + 1):
        chance = _chance_settled(evidence, further, margin=margin, noise=noise, borrow=borrow)
        found.append(chance)
        if chance >= target:
            return Settling(further, chance, target, max_blocks, tuple(found))
    best = max(found, default=0.0)
    return Settling(None, best, target, max_blocks, tuple(found))


def _chance_settled(
    evidence: Evidence, further: int, *, margin: float, noise: NoisePrior | None, borrow: bool
) -> float:
    sd, sd_df = noise_after(evidence, noise)
    ratio, noise_weight = _thinned(*sd_ratio_nodes(sd_df))
    gained = further * evidence.df_per_block
    # Axes: noise, new residuals, position of the new mean.
    sigma = (sd / ratio)[:, None, None]
    residual = _equal_points(gained - 1)[None, :, None]
    z = norm.ppf(_middles(201))[None, None, :]
    blocks = 2 / evidence.unit_variance
    total = blocks + further
    mean = evidence.difference + sigma * z * sqrt(2 * further / (blocks * total))
    # The new blocks' mean adds sigma^2 z^2 to the residuals because it differs from the old one.
    ss = evidence.ss + sigma**2 * (z**2 + residual)
    df = evidence.df + gained
    if borrow and noise is not None:
        ss, df = ss + noise.df * noise.typical_error**2, df + noise.df
    share = _settled(mean, np.sqrt(ss / df * 2 / total), df, margin).mean(axis=(1, 2))
    return float(noise_weight @ share)


def _settled(mean: Floats, se: Floats, df: float, margin: float) -> NDArray[np.bool_]:
    clear = np.abs(mean) > float(t.ppf(0.975, df)) * se
    inside = np.abs(mean) + float(t.ppf(0.95, df)) * se < margin
    return np.asarray(clear | inside)


def _thinned(node: Floats, weight: Floats, points: int = 41) -> tuple[Floats, Floats]:
    # The share of settled trials is a rough function of the noise, so many nodes buy nothing.
    cumulative = np.cumsum(weight) - weight / 2
    return np.interp(_middles(points), cumulative, node), np.full(points, 1 / points)


def _equal_points(df: float, points: int = 31) -> Floats:
    if df <= 0:
        return np.zeros(1)
    return np.asarray(chi2.ppf(_middles(points), df), dtype=np.float64)


def _middles(points: int) -> Floats:
    return (np.arange(points) + 0.5) / points
