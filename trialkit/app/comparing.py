"""Is one change larger than the noise of the measurement?"""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.app.answers import Answer
from trialkit.app.documents import ends
from trialkit.app.estimating import direction
from trialkit.app.results import read_number


@dataclass(frozen=True, slots=True)
class ChangeQuestion:
    """What is known about the noise and the margin, in the unit of the values."""

    typical_error: float
    df: float | None = None
    worthwhile: float | None = None
    better: str = "higher"


def compare_values(before: str, after: str, question: ChangeQuestion) -> Answer:
    """Set the change between two values, as people write them, against the noise.

    Raises
    ------
    RequestError
        When a value is no number or the noise is not above zero.
    """
    from trialkit.statistics.comparison import compare

    first, second = read_number(before, where="BEFORE"), read_number(after, where="AFTER")
    result = compare(
        [first],
        [second],
        typical_error=question.typical_error,
        df=question.df,
        worthwhile=question.worthwhile,
        better=direction(question.better),
    )
    larger = "larger than noise" if result.exceeds_noise else "within the noise"
    lines = [
        f"The change of {result.change:+.4g} is {larger}: noise alone gives up to "
        f"{result.mdc95:.3g} either way 95 times in 100.",
        f"95 % range of the true change: {result.ci.low:+.4g} to {result.ci.high:+.4g}",
        f"Chance that it is better: {result.chance_better:.0%}, worse: {result.chance_worse:.0%}"
        + (
            ""
            if result.chance_within is None
            else f", within the worthwhile change of {question.worthwhile:g}: "
            f"{result.chance_within:.0%}"
        ),
        *(f"Note: {note}" for note in result.notes),
    ]
    return Answer(
        "\n".join(lines),
        {
            "change": result.change,
            "typical_error": result.typical_error,
            "df": result.df,
            "se": result.se,
            "ci": ends(result.ci),
            "mdc95": result.mdc95,
            "exceeds_noise": result.exceeds_noise,
            "chance_better": result.chance_better,
            "chance_within": result.chance_within,
            "chance_worse": result.chance_worse,
            "notes": list(result.notes),
        },
    )
