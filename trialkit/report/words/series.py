"""What a series says, in words that label no athlete."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from trialkit.domain.estimates import Interval
from trialkit.domain.outcomes import Better
from trialkit.report.numbers import decimals_for
from trialkit.report.words.facts import Fact
from trialkit.report.words.pictures import lower_first, upper_first
from trialkit.report.words.verdicts import Headline

if TYPE_CHECKING:
    from trialkit.report.series_content import SeriesQuestion
    from trialkit.statistics.series import SeriesResult

NO_LABELS: Final = (
    "Nobody here is called a responder or a non-responder: one athlete's own result moves with "
    "noise, and the next series of trials would sort the same athletes anew."
)
SHRINKING: Final = (
    "Each athlete's own result is moved towards the mean of all: far where few pairs leave it "
    "noisy or where athletes differ little, hardly at all where many pairs show a true difference."
)
LIMITS: Final = (
    "The result holds for athletes like these, this test and this setting.",
    "The prediction for the next athlete takes that athlete to be one of the same kind, chosen as "
    "these were. It is no promise to anybody.",
    "A difference in a test is not a difference in a race.",
    "The ranges cover noise and differences between athletes, not mistakes: a wrong device setting "
    "or a condition that was not delivered as planned is not in them.",
)
PICTURE: Final = "Every athlete and the mean"
HEADS: Final = ("Athlete", "Pairs", "Own result", "Moved towards the mean")


def of_interval(interval: Interval, question: SeriesQuestion, places: int) -> str:
    """Print an interval of differences with its unit."""
    numbers = question.numbers
    span = f"{numbers.signed(interval.low, places)} to {numbers.signed(interval.high, places)}"
    return numbers.with_unit(span, question.unit)


def of_value(value: float, question: SeriesQuestion, places: int) -> str:
    """Print a difference with its sign and unit."""
    return question.numbers.with_unit(question.numbers.signed(value, places), question.unit)


def places_of(result: SeriesResult) -> int:
    """Decimals worth printing, from the standard error of the mean."""
    return decimals_for(result.mean.se)


def headline(result: SeriesResult, question: SeriesQuestion) -> Headline:
    """The mean effect in a sentence; no stronger than its interval."""
    ci, places = result.mean.ci, places_of(result)
    condition, reference = question.condition, question.reference
    if ci.low > 0 or ci.high < 0:
        way = "higher" if ci.low > 0 else "lower"
        good = (ci.low > 0) == (question.better is Better.HIGHER)
        judged = "" if question.better is None else f" ({'better' if good else 'worse'})"
        short = (
            f"On average, {lower_first(question.outcome)} was {way}{judged} with {condition} than "
            f"with {reference}."
        )
    else:
        short = f"On average, no clear difference between {condition} and {reference}."
    long = (
        f"Over {len(result.individuals)} athletes and {_pairs(result)} pairs the mean difference "
        f"in {lower_first(question.outcome)} was {of_value(result.mean.estimate, question, places)}"
        f" ({question.numbers.level(ci.level)} range {of_interval(ci, question, places)})."
    )
    return Headline(short, " ".join((long, *_against_margin(result, question))))


def _against_margin(result: SeriesResult, question: SeriesQuestion) -> Iterator[str]:
    if question.margin is None:
        return
    ci, size = (
        result.mean.ci,
        question.numbers.with_unit(question.numbers.short(question.margin), question.unit),
    )
    if ci.low > question.margin or ci.high < -question.margin:
        yield f"The whole range lies beyond the {size} that matters."
    elif -question.margin < ci.low and ci.high < question.margin:
        yield f"The whole range lies inside the {size} that would matter."
    else:
        yield f"The range holds values on both sides of the {size} that matters: the size is open."


def _pairs(result: SeriesResult) -> int:
    return sum(one.pairs for one in result.individuals)


def facts(result: SeriesResult, question: SeriesQuestion) -> tuple[Fact, ...]:
    """The facts beside the headline."""
    places, numbers = places_of(result), question.numbers
    mean, spread = result.mean, result.sd_individual
    noise = numbers.with_unit(numbers.plain(result.typical_error, places), question.unit)
    return (
        Fact(
            "How big, on average?",
            of_value(mean.estimate, question, places),
            f"{numbers.level(mean.ci.level)} range: {of_interval(mean.ci, question, places)}.",
        ),
        Fact(
            "Do athletes differ?",
            "More than noise" if spread.ci.low > 0 else "Not shown",
            heterogeneity(result, question),
        ),
        Fact(
            "And the next athlete?",
            of_interval(result.prediction_interval, question, places),
            "Where the true effect of another athlete like these would lie, "
            f"{numbers.level(result.prediction_interval.level)} range.",
        ),
        Fact(
            "How noisy is the test?",
            f"±{noise}",
            f"Typical error of one measurement, {numbers.plain(result.noise_df, 0)} df.",
        ),
    )


def heterogeneity(result: SeriesResult, question: SeriesQuestion) -> str:
    """Whether true effects differ between athletes, as far as these data tell."""
    numbers, places = question.numbers, places_of(result)
    spread = result.sd_individual
    value = numbers.with_unit(numbers.plain(spread.value, places), question.unit)
    high = numbers.with_unit(numbers.plain(spread.ci.high, places), question.unit)
    p = numbers.p_value(result.heterogeneity_p)
    if spread.ci.low > 0:
        return (
            f"True effects spread by about {value} (standard deviation, up to {high}) around the "
            f"mean; p of no spread {p}."
        )
    return (
        f"What differs between athletes may be noise alone (p of no spread {p}), but a spread of "
        f"up to {high} (standard deviation) cannot be ruled out."
    )


def finding(result: SeriesResult, question: SeriesQuestion) -> str:
    """What the picture of the series shows."""
    places = places_of(result)
    own = [one.raw for one in result.individuals]
    moved = [one.shrunken for one in result.individuals]
    return (
        f"Mean difference {of_value(result.mean.estimate, question, places)}, range "
        f"{of_interval(result.mean.ci, question, places)}. Own results run from "
        f"{of_value(min(own), question, places)} to {of_value(max(own), question, places)}; moved "
        f"towards the mean, from {of_value(min(moved), question, places)} to "
        f"{of_value(max(moved), question, places)}."
    )


def method(result: SeriesResult, question: SeriesQuestion, versions: str) -> str:
    """A paragraph ready for a paper."""
    noise = (
        "the noise of one measurement pooled over athletes"
        if result.pooled
        else "each athlete's own noise"
    )
    return (
        f"{upper_first(question.condition)} and {question.reference} were compared in pairs of "
        f"periods within each of {len(result.individuals)} athletes ({_pairs(result)} complete "
        f"pairs). Individual mean differences, with {noise}, entered a random-effects model: the "
        "spread of true effects by restricted maximum likelihood, the mean with a t interval on a "
        "refined standard error (Hartung and Knapp 2001), the spread's interval as a generalised "
        "confidence interval (Iyer, Wang and Mathew 2004), individual and predicted effects with "
        "spread and noise integrated out. "
        f"{versions}"
    )
