"""Posterior of a difference when noise is borrowed from a reliability study.

Noise: sigma^2 ~ nu0 TE^2 / chi2_nu0 (scaled inverse chi-square). Effect: flat, or normal around
zero. Gelman et al. (2013), Bayesian Data Analysis, sections 2.6 and 3.2. Closed form where the
effect prior is flat; otherwise one integral over sigma by quadrature. Nothing is sampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import polygamma
from scipy.stats import norm, t

from trialkit.domain.estimates import Interval
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.quadrature import sd_ratio_nodes

Floats = NDArray[np.float64]

# Athletes differ in noise, so a study of many of them says less about one than its df suggest.
BORROWED_DF_CAP = 8.0


@dataclass(frozen=True, slots=True)
class NoisePrior:
    """Noise of one measurement known before the trial: its SD, and what that SD is worth in df."""

    typical_error: float
    df: float

    def __post_init__(self) -> None:
        if not (self.typical_error > 0 and self.df > 0):
            raise RequestError(
                Problem(
                    where="typical error",
                    found=f"{self.typical_error:g} with {self.df:g} degrees of freedom",
                    wrong="noise can be borrowed only as a positive SD with positive df.",
                    fix="take both from a reliability study, or analyse without borrowing.",
                )
            )


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the trial itself says about a difference.

    ``difference`` has variance ``unit_variance`` times the variance of one measurement (2/n for
    n pairs); ``ss`` is the residual sum of squares of single measurements (half that of the pair
    differences) on ``df`` degrees of freedom.
    """

    difference: float
    unit_variance: float
    ss: float
    df: float

    @classmethod
    def from_differences(cls, differences: Floats) -> Evidence:
        """Evidence of complete pairs, from their differences (n,)."""
        d = np.asarray(differences, dtype=np.float64)
        mean = float(d.mean())
        return cls(mean, 2 / d.size, float(((d - mean) ** 2).sum()) / 2, d.size - 1.0)


@dataclass(frozen=True, slots=True)
class StudentPosterior:
    """A posterior that is a shifted and scaled t; ``noise`` is the SD of one measurement."""

    mean: float
    scale: float
    df: float
    noise: float

    def chance_below(self, x: float) -> float:
        """Chance that the true difference is below ``x``."""
        return float(t.cdf((x - self.mean) / self.scale, self.df))

    def chance_above(self, x: float) -> float:
        """Chance that the true difference is above ``x``."""
        return float(t.sf((x - self.mean) / self.scale, self.df))

    def interval(self, level: float = 0.95) -> Interval:
        """Equal-tailed interval."""
        half = float(t.ppf((1 + level) / 2, self.df)) * self.scale
        return Interval(self.mean - half, self.mean + half, level)


@dataclass(frozen=True, eq=False)
class MixturePosterior:
    """A posterior that is a mixture of normals, one per value of the noise; arrays are (M,)."""

    centre: Floats
    spread: Floats
    weight: Floats
    noise: float

    @property
    def mean(self) -> float:
        """Posterior mean of the difference."""
        return float(self.weight @ self.centre)

    @property
    def sd(self) -> float:
        """Posterior SD of the difference."""
        around = self.spread**2 + (self.centre - self.mean) ** 2
        return sqrt(float(self.weight @ around))

    def chance_below(self, x: float) -> float:
        """Chance that the true difference is below ``x``."""
        return float(self.weight @ norm.cdf((x - self.centre) / self.spread))

    def chance_above(self, x: float) -> float:
        """Chance that the true difference is above ``x``."""
        return float(self.weight @ norm.sf((x - self.centre) / self.spread))

    def interval(self, level: float = 0.95) -> Interval:
        """Equal-tailed interval."""
        tail = (1 - level) / 2
        return Interval(self._quantile(tail), self._quantile(1 - tail), level)

    def _quantile(self, p: float) -> float:
        reach = 40 * float(self.spread.max())
        low, high = float(self.centre.min()) - reach, float(self.centre.max()) + reach
        return float(brentq(lambda x: self.chance_below(x) - p, low, high, xtol=1e-12 * reach))


Posterior = StudentPosterior | MixturePosterior


@dataclass(frozen=True, slots=True)
class Chances:
    """Chances that the true effect is better than the margin, within it, worse."""

    better: float
    within: float
    worse: float


def posterior(
    evidence: Evidence, *, noise: NoisePrior | None = None, effect_sd: float | None = None
) -> Posterior:
    """Say what is to be believed about the true difference after the trial.

    Parameters
    ----------
    evidence : Evidence
        Difference, its variance factor and the trial's own residuals.
    noise : NoisePrior, optional
        Borrowed noise; its df are used as given, so discount them first (`borrowed_df`).
    effect_sd : float, optional
        SD of a normal prior around zero (see `sceptical_sd`); None for a flat prior.

    Raises
    ------
    UnanswerableError
        When neither the trial nor a prior says how noisy a measurement is.

    Examples
    --------
    One pair becomes analysable with borrowed noise:

    >>> one_pair = Evidence(difference=6.0, unit_variance=2.0, ss=0.0, df=0)
    >>> round(posterior(one_pair, noise=NoisePrior(3.0, 8)).chance_above(0.0), 3)
    0.902
    """
    sd, df = noise_after(evidence, noise)
    if effect_sd is None:
        return StudentPosterior(evidence.difference, sd * sqrt(evidence.unit_variance), df, sd)
    return _sceptical(evidence, sd=sd, df=df, effect_sd=effect_sd)


def noise_after(evidence: Evidence, noise: NoisePrior | None) -> tuple[float, float]:
    """SD of one measurement and its degrees of freedom, from the trial and the prior together."""
    df = evidence.df + (noise.df if noise else 0.0)
    ss = evidence.ss + (noise.df * noise.typical_error**2 if noise else 0.0)
    if df <= 0 or ss <= 0:
        raise UnanswerableError(
            Problem(
                where="noise",
                found="no residual variation in the trial and no borrowed typical error",
                wrong="a difference cannot be judged without knowing the noise.",
                fix="repeat the pair, or declare a typical error with degrees of freedom.",
            )
        )
    return sqrt(ss / df), df


def _sceptical(evidence: Evidence, *, sd: float, df: float, effect_sd: float) -> MixturePosterior:
    ratio, weight = sd_ratio_nodes(float(df))
    sigma = sd / ratio
    data_variance = evidence.unit_variance * sigma**2
    total = data_variance + effect_sd**2
    # Noise values that make the observed difference surprising under the prior lose weight.
    log_fit = -0.5 * (np.log(total) + evidence.difference**2 / total)
    weight = weight * np.exp(log_fit - log_fit.max())
    weight = weight / weight.sum()
    shrink = effect_sd**2 / total
    return MixturePosterior(
        centre=shrink * evidence.difference,
        spread=np.sqrt(shrink * data_variance),
        weight=weight,
        # The mean precision exists whatever the df, and without a prior gives the SD itself.
        noise=1 / sqrt(float(weight @ sigma**-2.0)),
    )


def chances(belief: Posterior, margin: float, *, sign: int = 1) -> Chances:
    """Split the belief at plus and minus the margin, signed so that positive is better."""
    above, below = belief.chance_above(margin), belief.chance_below(-margin)
    better, worse = (above, below) if sign > 0 else (below, above)
    return Chances(better=better, within=max(0.0, 1 - above - below), worse=worse)


def sceptical_sd(margin: float, *, outside: float = 0.10) -> float:
    """SD of a normal prior that leaves the chance ``outside`` for effects beyond the margin."""
    return margin / float(norm.isf(outside / 2))


def borrowed_df(
    study_df: float, *, spread: float | None = None, cap: float = BORROWED_DF_CAP
) -> float:
    """Degrees of freedom that a study's typical error is worth for one athlete.

    The log variance of an athlete's noise is known with variance trigamma(df/2) from the study's
    sampling plus 4 ``spread``^2 from athletes differing, where ``spread`` is the SD of the log
    typical error between athletes; the df that would give that sum are returned, at most
    ``cap``. Without ``spread`` only the cap applies.

    Examples
    --------
    >>> [round(borrowed_df(19, spread=h), 1) for h in (0.2, 0.35, 0.5)]
    [8.0, 4.2, 2.6]
    """
    if spread is None:
        return min(study_df, cap)
    variance = float(polygamma(1, study_df / 2)) + 4 * spread**2
    df = brentq(lambda d: float(polygamma(1, d / 2)) - variance, 1e-3, study_df + 1.0)
    return min(float(df), cap)
