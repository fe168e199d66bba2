"""What each picture shows, as a sentence: alternative texts state the finding, not the drawing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from trialkit.domain.estimates import Estimate, Noise
from trialkit.domain.outcomes import Outcome
from trialkit.report.content import (
    ChannelCurves,
    CurveBand,
    NullDistribution,
    OutcomeResult,
    PeriodRow,
    Status,
    Stretch,
)
from trialkit.report.figures.forests import ForestRow
from trialkit.report.figures.pairs import Pair
from trialkit.report.numbers import Numbers, Printer
from trialkit.report.words.limits import was_swapped
from trialkit.report.words.pictures import channel_label, lower_first, upper_first
from trialkit.report.words.verdicts import Names, declared_margin

_MOST_STRETCHES: Final = 4


def of_difference(result: OutcomeResult, numbers: Numbers) -> str:
    """Finding of the difference picture."""
    contrast, outcome = result.contrast, result.outcome
    noise = None if result.estimate is None else result.estimate.noise
    printer = Printer.of(outcome, contrast.se, numbers)
    said = (
        f"Mean difference in {lower_first(outcome.label)} {printer.difference(contrast.estimate)}, "
        f"{numbers.level(contrast.interval.level)} range {printer.interval(contrast.interval)}"
    )
    if noise is not None:
        side = "outside" if noise.exceeds_noise else "inside"
        said += f"; {side} the noise of ±{printer.size(noise.mdc_mean)}"
    if outcome.worthwhile is not None:
        said += f"; the margin that matters is {declared_margin(outcome, numbers)}"
    return said + "."


def of_periods(outcome: Outcome, periods: Sequence[PeriodRow]) -> str:
    """Finding of the figure of periods in time order."""
    usable = sum(p.value(outcome.name) is not None for p in periods)
    swapped = sum(was_swapped(p) for p in periods)
    said = f"{upper_first(outcome.label)} in {usable} of {len(periods)} periods in time order"
    missed = sum(p.status is Status.MISSED for p in periods)
    out = sum(p.status is Status.EXCLUDED for p in periods)
    waiting = sum(p.status is Status.PLANNED for p in periods)
    parts = [
        f"{number} {what}"
        for number, what in (
            (missed, "missed"),
            (out, "left out of the analysis"),
            (waiting, "still to come"),
            (swapped, "not under the condition that was drawn"),
        )
        if number
    ]
    if not swapped:
        parts.append("every period held was under the condition that was drawn")
    return f"{said}; {', '.join(parts)}."


def of_pairs(pairs: Sequence[Pair], outcome: Outcome, names: Names) -> str:
    """Finding of the figure of pairs."""
    higher = sum(p.condition > p.reference for p in pairs)
    return (
        f"{lower_first(outcome.label)[0].upper()}{lower_first(outcome.label)[1:]} was higher with "
        f"{names.condition} than with {names.reference} in {higher} of {len(pairs)} "
        f"{names.blocks}."
    )


def of_curves(curves: ChannelCurves, names: Names, numbers: Numbers) -> str:
    """Finding of a figure of curves: where the means lie apart most, and whether noise does that.

    The words for a difference are the test's own: only stretches it found are called one.
    """
    channel, band = channel_label(curves.channel), curves.band
    if band is None:
        why = f" No band: {curves.no_band}." if curves.no_band else ""
        return f"{channel} over the effort under each condition, mean and single periods.{why}"
    at = int(np.nanargmax(np.abs(band.difference)))
    size = numbers.with_unit(numbers.signed(float(band.difference[at]), 1), curves.unit)
    return (
        f"{channel}: largest mean difference {size} at {_second(curves.time_s[at], numbers)} s, "
        f"{names.condition} minus {names.reference}. {_where(band, curves.unit, numbers)}"
    )


def _where(band: CurveBand, unit: str, numbers: Numbers) -> str:
    p = "" if band.p is None else f" (p {numbers.p_value(band.p)} for the whole curve)"
    if not band.stretches:
        return f"Nowhere is the difference beyond what noise alone gives{p}."
    if len(band.stretches) > _MOST_STRETCHES:
        first, last = band.stretches[0].start_s, band.stretches[-1].end_s
        most = max(band.stretches, key=lambda s: abs(s.largest))
        size = numbers.with_unit(numbers.signed(most.largest, 1), unit)
        return (
            f"Beyond what noise alone gives{p} in {len(band.stretches)} stretches between "
            f"{_second(first, numbers)} and {_second(last, numbers)} s (up to {size})."
        )
    told = "; ".join(_stretch(s, unit, numbers) for s in band.stretches)
    return f"Beyond what noise alone gives{p}: {told}."


def _stretch(stretch: Stretch, unit: str, numbers: Numbers) -> str:
    size = numbers.with_unit(numbers.signed(stretch.largest, 1), unit)
    start, end = _second(stretch.start_s, numbers), _second(stretch.end_s, numbers)
    return f"{start} s ({size})" if start == end else f"{start} to {end} s (up to {size})"


def _second(second: float, numbers: Numbers) -> str:
    return numbers.plain(float(second), 0)


def of_noise(noise: Noise, outcome: Outcome, numbers: Numbers) -> str:
    """Finding of the noise figure, and the sentence of its section."""
    printer = Printer.of(outcome, noise.typical_error / 5, numbers)
    seen = printer.size(noise.typical_error)
    said = f"One measurement wandered by {seen} (typical error, {numbers.plain(noise.df, 0)} df)"
    if noise.planned is None:
        return f"{said}; the plan gave no figure to compare with."
    said += f", where the plan expected {printer.size(noise.planned)}"
    if noise.conflict_p is None:
        return said + "."
    if noise.conflict_p < 0.05:
        return (
            f"{said}. The two disagree (F test p {numbers.p_value(noise.conflict_p)}): look for "
            "the reason before planning on either."
        )
    return f"{said}. The two do not clearly disagree."


def of_sensitivity(estimate: Estimate) -> str:
    """Whether the answer moves under other methods, and under which."""
    movers = [row for row in estimate.sensitivity if row.moves]
    if estimate.decision is None or not movers:
        return agreement(estimate)
    told = ", ".join(f"{row.method} ({row.verdict})" for row in movers)
    return f"{agreement(estimate)} These are: {told}."


def agreement(estimate: Estimate) -> str:
    """Whether the answer moves under other methods, in one sentence without their names."""
    rows = estimate.sensitivity
    if not rows:
        return ""
    if estimate.decision is None:
        return f"{len(rows)} other methods were tried on the same question."
    moving = sum(row.moves for row in rows)
    if not moving:
        return f"The verdict is the same by all {len(rows)} other methods."
    return f"By {moving} of {len(rows)} other methods the verdict would be another one."


def of_forest(rows: Sequence[ForestRow]) -> str:
    """Finding of a forest in sign-adjusted units: which rows lie clear of zero."""
    clear = [r.label for r in rows if r.low > 0 or r.high < 0]
    if not clear:
        return f"The range of every one of {len(rows)} rows holds zero."
    return f"The range lies clear of zero for: {', '.join(clear)}."


def of_null(null: NullDistribution, numbers: Numbers) -> str:
    """Finding of the null distribution."""
    orders = null.orders or null.values.size
    kind = f"all {orders}" if null.exact else f"{orders} randomly drawn"
    return (
        f"If the condition did nothing, the same values would have come in any order. Of {kind} "
        "possible orders, the share with a difference at least as far from zero as the one seen: "
        f"p {numbers.p_value(null.p)}."
    )


def of_agreement(pairs: Sequence[Pair], outcome: Outcome, names: Names) -> str:
    """Finding of difference against mean: whether the difference goes along with the level."""
    count = len(pairs)
    if count < 3:
        return f"Difference against mean of {count} {names.blocks}: too few to see a pattern."
    means = np.array([0.5 * (p.reference + p.condition) for p in pairs])
    differences = np.array([p.condition - p.reference for p in pairs])
    if np.ptp(means) == 0 or np.ptp(differences) == 0:
        return f"Difference against mean of {count} {names.blocks}: no spread to compare."
    r = float(np.corrcoef(means, differences)[0, 1])
    # Fisher's z: |z| sqrt(n - 3) beyond 1.96 is a trend noise would seldom give.
    strong = (
        count > 3 and abs(np.arctanh(np.clip(r, -0.999999, 0.999999))) * (count - 3) ** 0.5 > 1.96
    )
    told = "goes along with the level" if strong else "shows no clear link with the level"
    return f"Over {count} {names.blocks} the difference in {lower_first(outcome.label)} {told}."
