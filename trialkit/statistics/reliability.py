"""How repeatable a measurement is, from a table of subjects by trials.

Typical error and change in the mean after Hopkins (2000, Sports Medicine 30:1); intraclass
correlations after Shrout & Fleiss (1979); minimal detectable change after Weir (2005, J Strength
Cond Res 19:231).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import kendalltau, t

from trialkit.domain.estimates import Interval
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.agreement import LimitsOfAgreement, limits_of_agreement
from trialkit.statistics.anova import two_way
from trialkit.statistics.intraclass import (
    IntraclassCorrelations,
    Measured,
    intraclass_correlations,
)
from trialkit.statistics.noise import minimal_detectable_change, typical_error_interval
from trialkit.statistics.printed import counted, percent

Floats = NDArray[np.float64]

_NO_CORRELATION = (
    "No intraclass correlation: it needs two subjects without a missing trial, some difference "
    "between subjects and some noise within them."
)
_GROWS = (
    "Noise grows with the level (Kendall's tau {tau:.2f}, p = {p:.2g}): use the coefficient of "
    "variation, and analyse on the log scale."
)


@dataclass(frozen=True, slots=True)
class ChangeInMean:
    """Change from one trial to the next (learning, fatigue), and the typical error of that pair.

    ``percent`` is the change from logs, None where a value is not positive. Trials count from 1.
    """

    from_trial: int
    to_trial: int
    n: int
    mean: float
    ci: Interval
    percent: float | None
    typical_error: float
    typical_error_ci: Interval


@dataclass(frozen=True, slots=True)
class SpreadCheck:
    """Does noise grow with the level? Kendall's tau of each subject's SD against its mean.

    ``tau_log`` is the same on logs. ``log_recommended``: noise grows clearly (one-sided
    p < 0.05) and less so on logs. Bland & Altman (1996, BMJ 313:106) use this tau.
    """

    tau: float
    p: float
    tau_log: float | None
    log_recommended: bool


@dataclass(frozen=True, eq=False)
class Reliability:
    """Noise of a measurement, in its own unit unless the name says percent.

    ``typical_error`` is the SD of one measurement within a subject, on ``df`` degrees of freedom;
    ``cv_percent`` the same from logs, as a factor: 100 (exp(s) - 1). ``residuals`` (n, k) hold
    what subject and trial means leave, NaN where nothing was measured; ``subject_means`` (n,).
    The correlations come from subjects without missing trials.
    """

    typical_error: float
    df: int
    typical_error_ci: Interval
    cv_percent: float | None
    cv_percent_ci: Interval | None
    icc: IntraclassCorrelations | None
    mdc95: float
    change_in_mean: tuple[ChangeInMean, ...]
    limits_of_agreement: LimitsOfAgreement | None
    spread: SpreadCheck | None
    n_subjects: int
    n_trials: int
    subject_means: Floats
    residuals: Floats
    notes: tuple[str, ...]

    @property
    def icc_2_1(self) -> Measured | None:
        """Agreement of single measurements, trials taken as random."""
        return None if self.icc is None else self.icc.icc_2_1

    @property
    def icc_3_1(self) -> Measured | None:
        """Consistency of single measurements, differences between trials left out."""
        return None if self.icc is None else self.icc.icc_3_1


def reliability(table: Floats, *, level: float = 0.95) -> Reliability:
    """Measure the noise of a test from repeats.

    Parameters
    ----------
    table : (n, k)
        One row per subject, one column per trial in time order; NaN where a trial was missed.
    level : float
        Level of all intervals.

    Raises
    ------
    RequestError
        When the table is not a table of numbers.
    UnanswerableError
        With fewer than two subjects measured at least twice, or fewer than two trials.

    Examples
    --------
    Two subjects who changed by 1 and by 3 units: the SD of change is sqrt(2), over sqrt(2).

    >>> round(reliability(np.array([[10.0, 11.0], [20.0, 23.0]])).typical_error, 6)
    1.0
    """
    table, notes = _usable(np.asarray(table, dtype=np.float64))
    residuals, df = _additive_residuals(table)
    typical_error = sqrt(float(np.nansum(residuals**2)) / df)
    if typical_error <= 1e-12 * float(np.nanmax(np.abs(table))):
        raise _no_noise()
    cv, cv_ci = _coefficient_of_variation(table, level)
    complete = table[np.isfinite(table).all(axis=1)]
    icc = _correlations(complete, level)
    if icc is None:
        notes.append(_NO_CORRELATION)
    spread = _spread_check(table, residuals)
    if spread is not None and spread.log_recommended:
        notes.append(_GROWS.format(tau=spread.tau, p=spread.p))
    changes = tuple(_change(table, k, level) for k in range(table.shape[1] - 1))
    two_trials = table.shape[1] == 2
    return Reliability(
        typical_error=typical_error,
        df=df,
        typical_error_ci=typical_error_interval(typical_error, df, level=level),
        cv_percent=cv,
        cv_percent_ci=cv_ci,
        icc=icc,
        mdc95=minimal_detectable_change(typical_error),
        change_in_mean=changes,
        limits_of_agreement=limits_of_agreement(complete[:, 1] - complete[:, 0], level=level)
        if two_trials
        else None,
        spread=spread,
        n_subjects=table.shape[0],
        n_trials=table.shape[1],
        subject_means=np.nanmean(table, axis=1),
        residuals=residuals,
        notes=tuple(notes),
    )


def _usable(table: Floats) -> tuple[Floats, list[str]]:
    if table.ndim != 2 or np.isinf(table).any():
        raise RequestError(
            Problem(
                where="table",
                found="something else than rows of numbers",
                wrong="reliability needs one row per subject and one column per trial.",
                fix="give finite numbers, and leave cells without a measurement empty.",
            )
        )
    notes = []
    repeated = np.isfinite(table).sum(axis=1) >= 2
    if not repeated.all():
        once = int((~repeated).sum())
        verb = "says" if once == 1 else "say"
        notes.append(f"{counted(once, 'subject')} measured only once {verb} nothing of noise.")
    table = table[repeated]
    table = table[:, np.isfinite(table).any(axis=0)]
    if table.shape[0] < 2 or any(
        np.isfinite(table[:, [a, b]]).all(axis=1).sum() < 2
        for a, b in pairwise(range(table.shape[1]))
    ):
        raise UnanswerableError(
            Problem(
                where="table",
                found=f"{table.shape[0]} subjects measured at least twice",
                wrong="each trial and the next need two subjects measured in both.",
                fix="add subjects, or leave trials out that few took part in.",
            )
        )
    missing = int(np.isnan(table).sum())
    if missing:
        verb = "is" if missing == 1 else "are"
        notes.append(
            f"{missing} of {table.size} cells {verb} missing: the typical error uses every "
            "measurement, the intraclass correlations only subjects without a missing trial."
        )
    return table, notes


def _no_noise() -> UnanswerableError:
    return UnanswerableError(
        Problem(
            where="table",
            found="repeats that differ by the same amount in every subject, to the last digit",
            wrong="no noise can be seen; the values are probably too coarse to show it.",
            fix="record finer values, and check that repeats were really measured again.",
        )
    )


def _additive_residuals(table: Floats) -> tuple[Floats, int]:
    """Residuals of subject plus trial by least squares, and their degrees of freedom."""
    subject, trial = np.nonzero(np.isfinite(table))
    value = table[subject, trial]
    n, k = table.shape
    design = np.hstack(
        (subject[:, None] == np.arange(n), trial[:, None] == np.arange(1, k))
    ).astype(np.float64)
    centred = value - value.mean()
    solution, _, rank, _ = np.linalg.lstsq(design, centred, rcond=None)
    residuals = np.full(table.shape, np.nan)
    residuals[subject, trial] = centred - design @ solution
    return residuals, value.size - int(rank)


def _coefficient_of_variation(table: Floats, level: float) -> tuple[float | None, Interval | None]:
    if np.nanmin(table) <= 0:
        return None, None
    residuals, df = _additive_residuals(np.log(table))
    s = sqrt(float(np.nansum(residuals**2)) / df)
    ci = typical_error_interval(s, df, level=level)
    return percent(s), Interval(percent(ci.low), percent(ci.high), level)


def _correlations(complete: Floats, level: float) -> IntraclassCorrelations | None:
    if complete.shape[0] < 2:
        return None
    squares = two_way(complete)
    # Without any spread between subjects, or any noise, the ratio of the two says nothing.
    if min(squares.subjects, squares.error) <= 1e-24 * float(np.abs(complete).max()) ** 2:
        return None
    return intraclass_correlations(squares, level=level)


def _change(table: Floats, first: int, level: float) -> ChangeInMean:
    pair = table[:, [first, first + 1]]
    pair = pair[np.isfinite(pair).all(axis=1)]
    change = pair[:, 1] - pair[:, 0]
    n, mean, sd = change.size, float(change.mean()), float(change.std(ddof=1))
    half = float(t.ppf((1 + level) / 2, n - 1)) * sd / sqrt(n)
    positive = bool((pair > 0).all())
    return ChangeInMean(
        from_trial=first + 1,
        to_trial=first + 2,
        n=n,
        mean=mean,
        ci=Interval(mean - half, mean + half, level),
        percent=percent(float(np.log(pair[:, 1] / pair[:, 0]).mean())) if positive else None,
        typical_error=sd / sqrt(2),
        typical_error_ci=typical_error_interval(sd / sqrt(2), n - 1, level=level),
    )


def _spread_check(table: Floats, residuals: Floats) -> SpreadCheck | None:
    # With four subjects even a perfect ranking has one-sided p = 1/24: fewer can show nothing.
    if table.shape[0] < 4:
        return None
    found = _tau(table, residuals, "greater")
    if found is None:
        return None
    tau_log = None
    if np.nanmin(table) > 0:
        logs = np.log(table)
        on_logs = _tau(logs, _additive_residuals(logs)[0], "two-sided")
        tau_log = None if on_logs is None else on_logs[0]
    better_on_logs = tau_log is not None and abs(tau_log) < found[0]
    return SpreadCheck(found[0], found[1], tau_log, found[1] < 0.05 and better_on_logs)


def _tau(table: Floats, residuals: Floats, alternative: str) -> tuple[float, float] | None:
    means = np.nanmean(table, axis=1)
    spread = np.sqrt(np.nansum(residuals**2, axis=1) / (np.isfinite(residuals).sum(axis=1) - 1))
    # Two trials leave each subject's two residuals equal in size up to rounding.
    spread = np.round(spread, 12 - int(np.floor(np.log10(max(spread.max(), 1e-300)))))
    if np.ptp(spread) == 0 or np.ptp(means) == 0:
        return None
    result = kendalltau(means, spread, alternative=alternative)
    return float(result.statistic), float(result.pvalue)
