"""What was declared about an analysis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Better
from trialkit.errors import Problem, RequestError
from trialkit.statistics.fixed_effects import Terms

Pair = tuple[str, str]
METHODS = ("auto", "paired", "mixed", "serial", "randomisation", "bayes")
EFFECT_PRIORS = ("sceptical", "flat")


@dataclass(frozen=True, eq=False)
class EstimateOptions:
    """How to estimate; everything here should have been declared before the first period.

    Parameters
    ----------
    method : str
        One of ``auto``, ``paired``, ``mixed``, ``serial``, ``randomisation``, ``bayes``.
    level : float
        Confidence level; the equivalence interval has the level 2 * level - 1.
    better : Better
        Which direction is better for the athlete.
    margin : float or None
        Smallest worthwhile change on the scale of the analysis; None gives no verdict.
    planned_noise, planned_df : float or None
        Typical error of one measurement on the scale of the analysis, and its degrees of freedom.
    scale : str
        ``raw`` or ``log``: what the values are; only passed on.
    period_effect, trend, carryover : bool
        Terms of the model beside condition and block.
    reference_sequences : array (m, n) or None
        Sequences the protocol's scheme could have drawn for the measured periods, as places in
        ``Observations.levels``; with ``sequences_exact`` all of them, else a random sample.
    max_blocks : int or None
        Largest number of blocks the trial may grow to; bounds the forecast of further blocks.
    primary_condition : str or None
        With three or more conditions: the one whose comparison with the reference is the verdict.
    all_pairs : bool
        With three or more conditions: compare each with each, not only with the reference.
    effect_prior : str
        ``sceptical`` or ``flat``: with borrowed noise, also say what a sceptic should believe.
    sensitivity : bool
        Re-run the primary comparison under each other defensible method.
    """

    method: str = "auto"
    level: float = 0.95
    better: Better = Better.HIGHER
    margin: float | None = None
    planned_noise: float | None = None
    planned_df: float | None = None
    scale: str = "raw"
    period_effect: bool = False
    trend: bool = False
    carryover: bool = False
    reference_sequences: NDArray[np.int_] | None = None
    sequences_exact: bool = True
    max_blocks: int | None = None
    primary_condition: str | None = None
    all_pairs: bool = False
    effect_prior: str = "sceptical"
    sensitivity: bool = True

    def __post_init__(self) -> None:
        problems = list(_problems(self))
        if problems:
            raise RequestError(problems)

    @property
    def terms(self) -> Terms:
        """The nuisance effects asked for."""
        return Terms(self.period_effect, self.trend, self.carryover)

    @property
    def borrowable(self) -> bool:
        """Whether a planned noise with degrees of freedom can stand in for the trial's own."""
        return self.planned_noise is not None and self.planned_df is not None


def pairs_to_compare(obs: Observations, options: EstimateOptions) -> list[Pair]:
    """(condition, compared with) in the order of the result; the reference's pairs come first."""
    levels = obs.levels
    found = [(level, levels[0]) for level in levels[1:]]
    if options.all_pairs:
        found += [(second, first) for first, second in combinations(levels[1:], 2)]
    return found


def _problems(options: EstimateOptions) -> Iterator[Problem]:
    for name, value, allowed in (
        ("method", options.method, METHODS),
        ("effect_prior", options.effect_prior, EFFECT_PRIORS),
        ("scale", options.scale, ("raw", "log")),
    ):
        if value not in allowed:
            yield Problem(
                where=name,
                found=repr(value),
                wrong=f"there is no such {name.replace('_', ' ')}.",
                fix="use one of " + ", ".join(allowed) + ".",
            )
    if not 0.5 < options.level < 1:
        yield Problem(
            where="level",
            found=f"{options.level:g}",
            wrong="a confidence level lies between 0.5 and 1.",
            fix="use 0.95 unless another level was declared.",
        )
    for name, number in (
        ("smallest worthwhile change", options.margin),
        ("typical error", options.planned_noise),
        ("degrees of freedom of the typical error", options.planned_df),
    ):
        if number is not None and not (isfinite(number) and number > 0):
            yield Problem(
                where=name,
                found=f"{number:g}",
                wrong="it has to be a number above zero.",
                fix="give its size without a sign, or leave it out.",
            )
