"""Intraclass correlations: the share of the variation between measurements that is the subjects'.

Shrout & Fleiss (1979, Psychological Bulletin 86:420); intervals of the agreement forms after
McGraw & Wong (1996, Psychological Methods 1:30, correction 1:390).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan

from scipy.stats import f

from trialkit.domain.estimates import Interval
from trialkit.statistics.anova import TwoWay


@dataclass(frozen=True, slots=True)
class Measured:
    """A figure with its interval."""

    value: float
    ci: Interval


@dataclass(frozen=True, slots=True)
class IntraclassCorrelations:
    """The six forms; the first digit is the model, the second one measurement or the mean of k.

    Model 1: trials are interchangeable; 2: agreement, trials differ at random; 3: consistency,
    differences between trials do not count.
    """

    icc_1_1: Measured
    icc_2_1: Measured
    icc_3_1: Measured
    icc_1_k: Measured
    icc_2_k: Measured
    icc_3_k: Measured


def intraclass_correlations(table: TwoWay, *, level: float = 0.95) -> IntraclassCorrelations:
    """Compute all six forms from the mean squares of a complete table of subjects by trials."""
    n, k = table.n_subjects, table.n_trials
    one = _from_f(_ratio(table.subjects, table.within), (n - 1, n * (k - 1)), k, level)
    three = _from_f(_ratio(table.subjects, table.error), (n - 1, table.df_error), k, level)
    two = _agreement(table, level)
    return IntraclassCorrelations(one[0], two[0], three[0], one[1], two[1], three[1])


def _ratio(above: float, below: float) -> float:
    if below > 0:
        return above / below
    return inf if above > 0 else nan


def _from_f(ratio: float, df: tuple[int, int], k: int, level: float) -> tuple[Measured, Measured]:
    tail = (1 - level) / 2
    ends = ratio / float(f.isf(tail, *df)), ratio * float(f.isf(tail, df[1], df[0]))
    single = [_single(x, k) for x in (ratio, *ends)]
    mean = [_mean(x) for x in (ratio, *ends)]
    return (
        Measured(single[0], Interval(single[1], single[2], level)),
        Measured(mean[0], Interval(mean[1], mean[2], level)),
    )


def _single(ratio: float, k: int) -> float:
    return 1.0 if ratio == inf else (ratio - 1) / (ratio + k - 1)


def _mean(ratio: float) -> float:
    return 1 - 1 / ratio if ratio else -inf


def _of_mean(single: float, k: int) -> float:
    # Spearman-Brown; a correlation at its lower bound has no counterpart.
    below = 1 + (k - 1) * single
    return k * single / below if below > 0 else -inf


def _agreement(table: TwoWay, level: float) -> tuple[Measured, Measured]:
    n, k = table.n_subjects, table.n_trials
    subjects, trials, error = table.subjects, table.trials, table.error
    rest = (k - 1) * error + k * (trials - error) / n
    value = _ratio(subjects - error, subjects + rest)
    # Satterthwaite df of the combination of mean squares that the F ratio rests on.
    share = k * value / (n * (1 - value)) if value < 1 else inf
    base = 1 + k * value * (n - 1) / (n * (1 - value)) if value < 1 else inf
    low, high = nan, nan
    if value < 1:
        top = (share * trials + base * error) ** 2
        bottom = (share * trials) ** 2 / (k - 1) + (base * error) ** 2 / table.df_error
        df = top / bottom
        tail = (1 - level) / 2
        low = _limit(table, 1 / float(f.isf(tail, n - 1, df)))
        high = _limit(table, float(f.isf(tail, df, n - 1)))
    mean = [_of_mean(x, k) for x in (value, low, high)]
    return (
        Measured(value, Interval(low, high, level)),
        Measured(mean[0], Interval(mean[1], mean[2], level)),
    )


def _limit(table: TwoWay, factor: float) -> float:
    n, k = table.n_subjects, table.n_trials
    subjects = factor * table.subjects
    pooled = k * table.trials + (k * n - k - n) * table.error
    return n * (subjects - table.error) / (pooled + n * subjects)
