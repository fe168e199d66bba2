"""A series: several athletes on one protocol, their common effect and how much they differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import bartlett, t

from trialkit.domain.estimates import Interval
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.bayes import NoisePrior
from trialkit.statistics.intraclass import Measured
from trialkit.statistics.series_model import (
    Effects,
    at_spread,
    beliefs,
    kenward_roger,
    refined_mean_se,
    restricted_fit,
    spread_interval,
)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeanEffect:
    """A mean effect with its standard error, degrees of freedom, interval and p of no effect."""

    estimate: float
    se: float
    df: float
    ci: Interval
    p: float


@dataclass(frozen=True, slots=True)
class Individual:
    """One athlete: own effect, and the one shrunken towards the mean of the series.

    ``se`` and ``ci`` are those of the shrunken effect and allow for the spread between athletes
    being estimated.
    """

    athlete: str
    pairs: int
    raw: float
    raw_se: float
    shrunken: float
    se: float
    ci: Interval


@dataclass(frozen=True, slots=True)
class SeriesResult:
    """What a series says, in the unit of the outcome.

    ``mean`` speaks of athletes like these, ``mean_of_these`` only of the ones who took part.
    ``sd_individual`` is the SD of true individual effects (zero is a legitimate value), and
    ``heterogeneity_p`` the p of there being none. ``prediction_interval`` is for the true effect
    of the next athlete. ``typical_error`` is the noise of one measurement, ``noise_df`` its
    degrees of freedom, ``pooled`` whether athletes share it; ``unequal_noise_p`` is the p of
    their noise being equal, None with too few pairs.
    """

    mean: MeanEffect
    mean_of_these: MeanEffect
    sd_individual: Measured
    heterogeneity_p: float
    individuals: tuple[Individual, ...]
    prediction_interval: Interval
    typical_error: float
    noise_df: float
    pooled: bool
    unequal_noise_p: float | None
    notes: tuple[str, ...]


def pool_series(
    differences: Mapping[str, Sequence[float] | Floats],
    *,
    level: float = 0.95,
    pooled: bool = True,
    noise: NoisePrior | None = None,
) -> SeriesResult:
    """Pool the trials of several athletes.

    Parameters
    ----------
    differences : mapping of athlete to (n_i,)
        Condition minus reference of each complete pair.
    level : float
        Level of all intervals.
    pooled : bool
        Whether athletes share one noise (Senn 2024, Trials 25). Own noise from few pairs is itself
        so noisy that weights built on it mislead.
    noise : NoisePrior, optional
        Borrowed typical error, joined to the pooled noise.

    Raises
    ------
    RequestError
        When a difference is not a number.
    UnanswerableError
        With fewer than two athletes, or when nothing tells noise from individual effects.

    Examples
    --------
    >>> result = pool_series({"a": [1, 3, 2], "b": [2, 4, 3], "c": [0, 3, 1.5]})
    >>> round(result.mean.estimate, 3), result.mean.df
    (2.167, 2.0)
    """
    pairs = _usable(differences)
    effects, unequal_p = _raw_effects(pairs, pooled=pooled, noise=noise)
    individual, noise_variance = restricted_fit(effects)
    interval, p = spread_interval(effects, level)
    each, following = beliefs(effects)
    return SeriesResult(
        mean=mean_effect(effects, individual, noise_variance, level=level),
        mean_of_these=_mean_of_these(effects, level),
        sd_individual=Measured(sqrt(individual), interval),
        heterogeneity_p=p,
        individuals=tuple(
            Individual(
                athlete=name,
                pairs=d.size,
                raw=float(effects.value[i]),
                raw_se=float(np.sqrt(effects.variance[i])),
                shrunken=each[i].mean,
                se=each[i].sd,
                ci=each[i].interval(level),
            )
            for i, (name, d) in enumerate(pairs.items())
        ),
        prediction_interval=following.interval(level),
        typical_error=sqrt(effects.noise / 2) if pooled else _mean_noise(pairs),
        noise_df=effects.df if pooled else float(sum(d.size - 1 for d in pairs.values())),
        pooled=pooled,
        unequal_noise_p=unequal_p,
        notes=_notes(pairs, pooled=pooled, unequal_p=unequal_p, spread=interval),
    )


def _usable(differences: Mapping[str, Sequence[float] | Floats]) -> dict[str, Floats]:
    arrays = {name: np.asarray(d, dtype=np.float64) for name, d in differences.items()}
    problems = [
        Problem(
            where=f"athlete {name}",
            found="differences that are not numbers",
            wrong="only complete pairs have a difference.",
            fix="leave incomplete pairs out.",
        )
        for name, d in arrays.items()
        if d.ndim != 1 or not np.all(np.isfinite(d))
    ]
    if problems:
        raise RequestError(problems)
    kept = {name: d for name, d in arrays.items() if d.size}
    if len(kept) < 2:
        raise UnanswerableError(
            Problem(
                where="athletes",
                found=f"{len(kept)} with a complete pair",
                wrong="a series needs two.",
                fix="add athletes, or analyse the single trial.",
            )
        )
    return kept


def _raw_effects(
    pairs: Mapping[str, Floats], *, pooled: bool, noise: NoisePrior | None
) -> tuple[Effects, float | None]:
    value = np.array([d.mean() for d in pairs.values()])
    sizes = np.array([d.size for d in pairs.values()])
    repeated = [d for d in pairs.values() if d.size >= 2 and np.ptp(d) > 0]
    unequal_p = float(bartlett(*repeated).pvalue) if len(repeated) >= 2 else None
    squares = sum(float(((d - d.mean()) ** 2).sum()) for d in pairs.values())
    df = float(sizes.sum() - sizes.size)
    if not pooled:
        if len(repeated) < sizes.size:
            raise _no_noise("an athlete without noise of their own")
        own = np.array([d.var(ddof=1) / d.size for d in pairs.values()])
        return Effects(value, own, 1.0, inf), unequal_p
    if noise is not None:
        # A pair difference has twice the variance of one measurement.
        squares, df = squares + 2 * noise.df * noise.typical_error**2, df + noise.df
    if df <= 0 or squares <= 0:
        raise _no_noise("one pair per athlete, or pairs without any variation")
    return Effects(value, 1 / sizes, squares / df, df), unequal_p


def _no_noise(found: str) -> UnanswerableError:
    return UnanswerableError(
        Problem(
            where="pairs",
            found=found,
            wrong="noise cannot be told from differences between athletes.",
            fix="repeat pairs within athletes, or give a typical error with degrees of freedom.",
        )
    )


def mean_effect(
    effects: Effects, individual: float, noise: float, *, level: float = 0.95
) -> MeanEffect:
    """Mean effect of athletes like these, for variances from `restricted_fit`."""
    variance = effects.shape * noise
    estimate = at_spread(effects.value, variance, sqrt(individual)).mean
    if individual > 0 and effects.df < inf:
        return _with_t(estimate, *kenward_roger(effects, individual, noise), level)
    # At a spread of zero Kenward-Roger hardly ever rejects when athletes have unequal numbers of
    # pairs (0.1-1 % in place of 5 %); the scatter of the effects keeps the level there.
    se = refined_mean_se(effects.value, variance, sqrt(individual))
    return _with_t(estimate, se, effects.value.size - 1.0, level)


def _mean_of_these(effects: Effects, level: float) -> MeanEffect:
    se = sqrt(float(effects.variance.sum())) / effects.value.size
    return _with_t(float(effects.value.mean()), se, effects.df, level)


def _with_t(estimate: float, se: float, df: float, level: float) -> MeanEffect:
    if se <= 0:
        raise UnanswerableError(
            Problem(
                where="athletes",
                found="mean differences that are all the same to the last digit",
                wrong="how sure the mean is can be read only from how much athletes scatter.",
                fix="record finer values, or add athletes.",
            )
        )
    half = float(t.ppf((1 + level) / 2, df)) * se
    p = 2 * float(t.sf(abs(estimate) / se, df))
    return MeanEffect(estimate, se, df, Interval(estimate - half, estimate + half, level), p)


def _mean_noise(pairs: Mapping[str, Floats]) -> float:
    squares = sum(float(((d - d.mean()) ** 2).sum()) for d in pairs.values())
    return sqrt(squares / sum(d.size - 1 for d in pairs.values()) / 2)


def _notes(
    pairs: Mapping[str, Floats], *, pooled: bool, unequal_p: float | None, spread: Interval
) -> tuple[str, ...]:
    notes = [
        "Noise is pooled: all athletes are taken to be equally noisy."
        if pooled
        else "Noise is not pooled: each athlete's own, taken as if known; with few pairs the "
        "intervals come out too narrow.",
        "Incomplete pairs are left out: right when the reason for missing has nothing to do with "
        "the condition or the value.",
    ]
    if pooled and unequal_p is not None and unequal_p < 0.05:
        notes.append(
            f"Athletes differ in noise (p = {unequal_p:.2g}): individual intervals are too narrow "
            "for the noisier ones and too wide for the others."
        )
    if spread.low == 0:
        notes.append(
            "These data do not show that athletes differ in their response: differences between "
            "individual estimates may be noise alone."
        )
    if len(pairs) < 5:
        notes.append(
            f"{len(pairs)} athletes say little of how much athletes differ: the spread and the "
            "prediction lean on the assumed prior."
        )
    return tuple(notes)
