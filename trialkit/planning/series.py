"""Planning a series: how many athletes with how many pairs each, for what it costs.

Model: a pair's difference of athlete i is normal around the athlete's own effect with variance
2 sigma^2 (sigma the typical error); own effects are normal around the mean effect with SD psi. The
criteria are those of Senn (2019, Stat Methods Med Res 28:372): the mean effect in athletes like
these, the mean in just these athletes, one athlete's own effect with and without shrinkage, and
whether athletes differ at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from scipy import special

from trialkit.errors import Problem, RequestError
from trialkit.planning.noncentral import t_power


@dataclass(frozen=True, slots=True)
class SeriesTruth:
    """What is assumed of a series, all in one unit.

    ``effect`` is the true mean effect, ``individual_sd`` the SD of true individual effects,
    ``noise`` the typical error of one measurement.
    """

    effect: float
    individual_sd: float
    noise: float

    def __post_init__(self) -> None:
        problems = [
            Problem(
                where=name.replace("_", " "),
                found=f"{value:g}",
                wrong="it cannot be negative." if least == 0 else "it has to be above zero.",
                fix="give its size without a sign.",
            )
            for name, value, least in (
                ("individual_sd", self.individual_sd, 0),
                ("noise", self.noise, 1),
            )
            if not (value > 0 or (least == 0 and value == 0))
        ]
        if problems:
            raise RequestError(problems)

    def own_variance(self, pairs: int) -> float:
        """Error variance of one athlete's mean over so many pairs."""
        return 2 * self.noise**2 / pairs


@dataclass(frozen=True, slots=True)
class SeriesPrecision:
    """What a series of ``athletes`` with ``pairs`` complete pairs each can tell, in closed form.

    ``se_mean`` and ``power_mean`` are for the mean effect in athletes like these (t on the
    athletes' means, athletes - 1 df); ``se_these`` and ``power_these`` for the mean in just these
    athletes (pooled noise, athletes * (pairs - 1) df); ``se_individual`` is the standard error of
    one athlete's own mean, ``shrinkage`` the weight it gets against the mean of the series and
    ``se_shrunken`` the error of the shrunken effect (mean and variances known);
    ``power_individual`` the chance that an athlete whose own effect is the mean one shows it alone;
    ``power_difference`` the chance to find (F test) that athletes differ at all.
    """

    athletes: int
    pairs: int
    se_mean: float
    power_mean: float
    se_these: float
    power_these: float
    se_individual: float
    power_individual: float
    shrinkage: float
    se_shrunken: float
    power_difference: float


def series_precision(
    athletes: int, pairs: int, truth: SeriesTruth, *, level: float = 0.95
) -> SeriesPrecision:
    """Say what a series can tell, by closed forms.

    Parameters
    ----------
    athletes, pairs : int
        Number of athletes, at least 2, and of complete pairs of each, at least 1.
    truth : SeriesTruth
        Mean effect, SD of individual effects, noise.
    level : float
        Level of the intervals.

    Raises
    ------
    RequestError
        With fewer than two athletes or no pair.

    Examples
    --------
    >>> planned = series_precision(12, 3, SeriesTruth(effect=1.5, individual_sd=1, noise=2))
    >>> round(planned.se_mean, 3), round(planned.power_mean, 3)
    (0.553, 0.696)
    """
    _check(athletes, pairs)
    own, between = truth.own_variance(pairs), truth.individual_sd**2
    total, inner_df = own + between, athletes * (pairs - 1)
    shrinkage = between / total
    return SeriesPrecision(
        athletes=athletes,
        pairs=pairs,
        se_mean=sqrt(total / athletes),
        power_mean=_power(truth.effect, sqrt(total / athletes), athletes - 1, level),
        se_these=sqrt(own / athletes),
        power_these=_power(truth.effect, sqrt(own / athletes), inner_df, level),
        se_individual=sqrt(own),
        power_individual=_power(truth.effect, sqrt(own), pairs - 1, level),
        shrinkage=shrinkage,
        se_shrunken=sqrt(shrinkage * own),
        power_difference=_power_difference(athletes, inner_df, total / own, level),
    )


def athletes_for_power(
    pairs: int, truth: SeriesTruth, *, power: float = 0.8, level: float = 0.95, most: int = 100_000
) -> int | None:
    """Fewest athletes with so many pairs each that show the mean effect; None beyond ``most``.

    Examples
    --------
    >>> [athletes_for_power(k, SeriesTruth(1.0, 0.5, 1.0)) for k in (1, 2, 3, 4, 6)]
    [20, 12, 10, 9, 7]
    """

    def enough(athletes: int) -> bool:
        return series_precision(athletes, pairs, truth, level=level).power_mean >= power

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if high > most:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _power(effect: float, se: float, df: int, level: float) -> float:
    return t_power(effect / se, df, level=level) if df > 0 else 0.0


def _power_difference(athletes: int, inner_df: int, ratio: float, level: float) -> float:
    """Chance of the F test: the ratio of variances times a central F."""
    if inner_df < 1:
        return 0.0
    limit = special.fdtri(athletes - 1, inner_df, level)
    return float(special.fdtrc(athletes - 1, inner_df, limit / ratio))


def _check(athletes: int, pairs: int) -> None:
    problems = [
        Problem(
            where=name,
            found=str(value),
            wrong=f"a series has at least {least}.",
            fix=f"give {least} or more.",
        )
        for name, value, least in (("athletes", athletes, 2), ("pairs", pairs, 1))
        if value < least
    ]
    if problems:
        raise RequestError(problems)
