"""Was the blind kept? Right guesses of the condition against what chance would give."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.stats import binomtest

from trialkit.domain.estimates import Interval
from trialkit.errors import Problem, RequestError


@dataclass(frozen=True, slots=True)
class BlindingCheck:
    """Share of right guesses with its interval.

    ``interval`` is Wilson's, ``exact_interval`` that of Clopper & Pearson, which is wider and
    never covers too little. ``p_better`` is the exact chance of so many right guesses or more by
    guessing alone, ``p`` the two-sided one. A kept blind cannot be proved by a large p.
    """

    share: float
    guesses: int
    interval: Interval
    exact_interval: Interval
    p: float
    p_better: float


def blinding_check(
    correct: int, guesses: int, *, chance_correct: float = 0.5, level: float = 0.95
) -> BlindingCheck:
    """Compare right guesses of the condition with guessing alone (Newcombe 1998, Stat Med 17:857).

    Raises
    ------
    RequestError
        When the counts are not a number of right guesses out of all guesses.

    Examples
    --------
    >>> check = blinding_check(9, 10)
    >>> round(check.p_better, 4), round(check.interval.low, 3)
    (0.0107, 0.596)
    """
    if not 0 <= correct <= guesses or guesses < 1 or not 0 < chance_correct < 1:
        raise RequestError(
            Problem(
                where="guesses",
                found=f"{correct} right of {guesses}, chance {chance_correct:g}",
                wrong="right guesses are some of all guesses, by a chance between 0 and 1.",
                fix="count the guesses made and those that were right.",
            )
        )
    test = binomtest(correct, guesses, chance_correct)
    better = binomtest(correct, guesses, chance_correct, alternative="greater")
    wilson = test.proportion_ci(level, method="wilson")
    exact = test.proportion_ci(level, method="exact")
    return BlindingCheck(
        share=correct / guesses,
        guesses=guesses,
        interval=Interval(float(wilson.low), float(wilson.high), level),
        exact_interval=Interval(float(exact.low), float(exact.high), level),
        p=float(test.pvalue),
        p_better=float(better.pvalue),
    )
