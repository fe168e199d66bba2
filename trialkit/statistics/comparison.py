"""Is one change larger than noise? A single comparison against a borrowed typical error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, t

from trialkit.domain.estimates import Interval
from trialkit.domain.outcomes import Better
from trialkit.errors import Problem, RequestError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Comparison:
    """One change set against noise.

    ``change`` is after minus before. ``mdc95`` is the smallest change of this kind (single
    values, or means of so many) that exceeds 95 % of what noise alone gives. Chances are those
    of the true change, signed so that positive is better, being above the worthwhile change,
    within, below minus it; without a worthwhile change they are split at zero and
    ``chance_within`` is None.
    """

    change: float
    typical_error: float
    df: float | None
    se: float
    ci: Interval
    mdc95: float
    exceeds_noise: bool
    chance_better: float
    chance_within: float | None
    chance_worse: float
    notes: tuple[str, ...]


def compare(
    before: Sequence[float] | Floats,
    after: Sequence[float] | Floats,
    *,
    typical_error: float,
    df: float | None = None,
    worthwhile: float | None = None,
    better: Better = Better.HIGHER,
) -> Comparison:
    """Set one change of one athlete against the usual noise of the test.

    Parameters
    ----------
    before, after : one value or several
        Measurements before and after, in one unit (logs for a percent typical error).
    typical_error : float
        SD of one measurement within an athlete, from repeats of others.
    df : float, optional
        Its degrees of freedom; None takes it as if known exactly.
    worthwhile : float, optional
        Smallest worthwhile change.
    better : Better
        Whether higher or lower values are better.

    Raises
    ------
    RequestError
        Without a value on either side, or for a typical error that is not positive.

    Examples
    --------
    >>> result = compare([300.0], [318.0], typical_error=6.0)
    >>> round(result.mdc95, 2), result.exceeds_noise
    (16.63, True)
    """
    first, second = (np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (before, after))
    _check(first, second, typical_error, df, worthwhile)
    change = float(second.mean() - first.mean())
    se = typical_error * sqrt(1 / first.size + 1 / second.size)
    law = norm if df is None else t(df)
    mdc95 = float(law.ppf(0.975)) * se
    margin = worthwhile or 0.0
    signed = better.sign * change
    chance_better = float(law.sf((margin - signed) / se))
    chance_worse = float(law.cdf((-margin - signed) / se))
    return Comparison(
        change=change,
        typical_error=typical_error,
        df=df,
        se=se,
        ci=Interval(change - mdc95, change + mdc95, 0.95),
        mdc95=mdc95,
        exceeds_noise=abs(change) > mdc95,
        chance_better=chance_better,
        chance_within=None if worthwhile is None else max(0.0, 1 - chance_better - chance_worse),
        chance_worse=chance_worse,
        notes=_notes(df),
    )


def _check(
    before: Floats, after: Floats, typical_error: float, df: float | None, worthwhile: float | None
) -> None:
    problems = [
        Problem(
            where=name,
            found=f"{values.size} values" if np.isfinite(values).all() else "not only numbers",
            wrong="a change needs at least one number on each side.",
            fix="give the measurements as numbers.",
        )
        for name, values in (("before", before), ("after", after))
        if values.ndim != 1 or not values.size or not np.isfinite(values).all()
    ]
    if not typical_error > 0 or (df is not None and not df > 0):
        problems.append(
            Problem(
                where="typical error",
                found=f"{typical_error:g}"
                + ("" if df is None else f" with {df:g} degrees of freedom"),
                wrong="noise is a positive SD, and so are its degrees of freedom.",
                fix="take it from a reliability study in the unit of the values.",
            )
        )
    if worthwhile is not None and not worthwhile > 0:
        problems.append(
            Problem(
                where="worthwhile",
                found=f"{worthwhile:g}",
                wrong="the smallest worthwhile change is a positive amount.",
                fix="give its size; the direction of better is told separately.",
            )
        )
    if problems:
        raise RequestError(problems)


def _notes(df: float | None) -> tuple[str, ...]:
    notes = [
        "The noise is that of others or of other days: nothing here measures this athlete's own.",
        "What changed besides the intention (learning, time, instrument) cannot be told apart.",
    ]
    if df is None:
        notes.append("The typical error is taken as known; with its df the interval gets wider.")
    return tuple(notes)
