"""Noise seen in a trial: typical error, minimal detectable change, planned against observed."""

from __future__ import annotations

from math import inf, sqrt

from scipy import stats

from trialkit.domain.estimates import Interval, Noise
from trialkit.statistics.printed import figure

# 97.5 % quantile of a normal, printed as 1.96: the MDC treats the typical error as known, by
# definition.
Z95 = float(stats.norm.ppf(0.975))


def typical_error_interval(typical_error: float, df: float, *, level: float = 0.95) -> Interval:
    """Interval of a typical error from its chi-square.

    Examples
    --------
    >>> typical_error_interval(1.0, 5).high  # doctest: +ELLIPSIS
    2.45261...
    """
    tail = (1 - level) / 2
    lower, upper = (float(q) for q in stats.chi2.ppf([tail, 1 - tail], df))
    # With next to no df the quantiles underflow: then nothing bounds the noise.
    low = typical_error * sqrt(df / upper) if upper > 0 else 0.0
    high = typical_error * sqrt(df / lower) if lower > 0 else inf
    return Interval(low, high, level)


def minimal_detectable_change(typical_error: float, *, n_one: int = 1, n_other: int = 1) -> float:
    """Smallest difference of two means of n_one and n_other measurements that exceeds noise (95 %).

    1.96 sqrt(2) typical error for single measurements (Weir 2005, J Strength Cond Res 19:231),
    divided by sqrt(B) for the mean over B pairs; 1.96 stands for the normal's 97.5 % quantile,
    1.959964, here as everywhere.

    Examples
    --------
    >>> round(minimal_detectable_change(5.0), 3)
    13.859
    """
    return Z95 * typical_error * sqrt(1 / n_one + 1 / n_other)


def conflict_p(observed: float, df: float, planned: float, planned_df: float) -> float:
    """Two-sided F p of the observed against the planned typical error."""
    F = (observed / planned) ** 2
    upper = float(stats.f.sf(F, df, planned_df))
    return min(1.0, 2 * min(upper, 1 - upper))


def observed_noise(
    variance: float,
    df: float,
    *,
    effect: float,
    counts: tuple[int, int],
    planned: tuple[float, float | None] | None = None,
    level: float = 0.95,
) -> Noise:
    """Sum up the noise of a trial.

    Parameters
    ----------
    variance, df : float
        Residual variance of one measurement and its degrees of freedom.
    effect : float
        Mean difference to be set against the noise.
    counts : tuple of int
        Measurements behind the two means.
    planned : tuple or None
        Typical error of the protocol and its degrees of freedom (None if unknown).
    level : float
        Level of the interval; the minimal detectable changes are 95 % by definition.
    """
    typical_error = sqrt(variance)
    mdc_mean = minimal_detectable_change(typical_error, n_one=counts[0], n_other=counts[1])
    planned_value, planned_df = planned if planned is not None else (None, None)
    both = planned_value is not None and planned_df is not None
    return Noise(
        typical_error=typical_error,
        df=df,
        interval=typical_error_interval(typical_error, df, level=level),
        mdc_single=minimal_detectable_change(typical_error),
        mdc_mean=mdc_mean,
        exceeds_noise=abs(effect) > mdc_mean,
        planned=planned_value,
        planned_df=planned_df,
        conflict_p=conflict_p(typical_error, df, planned_value, planned_df)  # type: ignore[arg-type]
        if both
        else None,
    )


def noise_notes(noise: Noise, *, scale: str = "raw", unit: str | None = None) -> tuple[str, ...]:
    """Say aloud when observed and planned noise disagree, in the printed unit."""
    if noise.planned is None or noise.conflict_p is None or noise.conflict_p >= 0.05:
        return ()
    word = "larger" if noise.typical_error > noise.planned else "smaller"
    seen, planned = (
        figure(x, scale=scale, unit=unit) for x in (noise.typical_error, noise.planned)
    )
    return (
        f"The noise seen in this trial ({seen}) is {word} than planned "
        f"({planned}; p = {noise.conflict_p:.2g}): a figure borrowed from others does "
        "not fit this athlete or these conditions of measurement.",
    )
