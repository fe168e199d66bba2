"""Analysis of variance of repeat measurements: one way, and subjects by trials."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f

from trialkit.errors import Problem, UnanswerableError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance; ``within_sd`` is the SD of one measurement in its group."""

    df_between: int
    ss_between: float
    df_within: int
    ss_within: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.df_between

    @property
    def ms_within(self) -> float:
        """Mean square within groups."""
        return self.ss_within / self.df_within

    @property
    def within_sd(self) -> float:
        """SD within groups."""
        return sqrt(self.ms_within)

    @property
    def f_ratio(self) -> float:
        """Mean square between groups over that within; infinite without any spread within."""
        return self.ms_between / self.ms_within if self.ss_within > 0 else inf

    @property
    def p(self) -> float:
        """Chance of so large a ratio when all groups have one mean."""
        return float(f.sf(self.f_ratio, self.df_between, self.df_within))


@dataclass(frozen=True, slots=True)
class TwoWay:
    """Mean squares of a complete table of n subjects by k trials, one value in each cell.

    ``within`` is the mean square inside subjects without removing trial means.
    """

    n_subjects: int
    n_trials: int
    subjects: float
    trials: float
    error: float
    within: float

    @property
    def df_error(self) -> int:
        """Degrees of freedom of ``error``."""
        return (self.n_subjects - 1) * (self.n_trials - 1)


def one_way(groups: Sequence[Sequence[float] | Floats]) -> OneWay:
    """Split the variation of measurements into that between and that within groups.

    Parameters
    ----------
    groups : sequence of rows
        The measurements of each group (a subject, a condition); rows may differ in length.

    Raises
    ------
    UnanswerableError
        With fewer than two groups, or when no group has a repeat.
    """
    rows = [np.asarray(g, dtype=np.float64) for g in groups if len(g)]
    n = sum(row.size for row in rows)
    if len(rows) < 2 or n == len(rows):
        raise UnanswerableError(
            Problem(
                where="groups",
                found=f"{len(rows)} groups with {n} measurements",
                wrong="variation within groups needs repeats, between groups two of them.",
                fix="measure at least two groups, some of them twice.",
            )
        )
    # Taking a common level off first keeps digits when all values share their leading ones.
    level = float(np.concatenate(rows).mean())
    rows = [row - level for row in rows]
    means = [float(row.mean()) for row in rows]
    grand = float(np.concatenate(rows).mean())
    between = sum(row.size * (m - grand) ** 2 for row, m in zip(rows, means, strict=True))
    within = sum(float(((row - m) ** 2).sum()) for row, m in zip(rows, means, strict=True))
    return OneWay(len(rows) - 1, between, n - len(rows), within)


def two_way(table: Floats) -> TwoWay:
    """Mean squares of a complete table: rows are subjects, columns are trials.

    Raises
    ------
    UnanswerableError
        With fewer than two subjects or two trials.
    """
    n, k = table.shape
    if n < 2 or k < 2:
        raise UnanswerableError(
            Problem(
                where="table",
                found=f"{n} complete subjects and {k} trials",
                wrong="noise cannot be told from differences between subjects or trials.",
                fix="give at least two subjects, each measured in at least two trials.",
            )
        )
    centred = table - table.mean()
    rows, columns = centred.mean(axis=1), centred.mean(axis=0)
    residual = centred - rows[:, None] - columns[None, :]
    return TwoWay(
        n_subjects=n,
        n_trials=k,
        subjects=k * float((rows**2).sum()) / (n - 1),
        trials=n * float((columns**2).sum()) / (k - 1),
        error=float((residual**2).sum()) / ((n - 1) * (k - 1)),
        within=float(((centred - rows[:, None]) ** 2).sum()) / (n * (k - 1)),
    )
