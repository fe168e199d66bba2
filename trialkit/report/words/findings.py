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
    CutChannel,
    NullDistribution,
    OutcomeResult,
    PeriodRow,
    Status,
    Stretch,
)
from trialkit.report.figures.forests import ForestRow
from trialkit.report.figures.pairs import Pair, pair_differences
from trialkit.report.numbers import Numbers, Printer, difference_unit
from trialkit.report.words.facts import noise_is_open
from trialkit.report.words.limits import was_swapped
from trialkit.report.words.pictures import channel_label, cut_beside, lower_first, upper_first
from trialkit.report.words.verdicts import Names, counted, declared_margin, under

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
        if noise_is_open(noise, contrast):
            said += ", which itself is known only roughly"
    if outcome.worthwhile is not None:
        said += f"; the margin that matters is {declared_margin(outcome, numbers)}"
    return said + "."


def of_periods(outcome: Outcome, periods: Sequence[PeriodRow]) -> str:
    """Finding of the figure of periods in time order."""
    usable = sum(p.value(outcome.name) is not None for p in periods)
    swapped = sum(was_swapped(p) for p in periods)
    said = f"{upper_first(outcome.label)} in {usable} of {len(periods)} periods in time order"
    missed = sum(p.status is Status.MISSED for p in periods)
    aborted = sum(p.status is Status.ABORTED for p in periods)
    out = sum(p.status is Status.EXCLUDED for p in periods)
    waiting = sum(p.status is Status.PLANNED for p in periods)
    parts = [
        f"{number} {what}"
        for number, what in (
            (missed, "missed"),
            (aborted, "aborted"),
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
        f"{upper_first(outcome.label)} was higher {under(names.condition)} than "
        f"{under(names.reference)} in {higher} of {len(pairs)} "
        f"{counted(len(pairs), names.blocks)}."
    )


def of_curves(curves: ChannelCurves, names: Names, numbers: Numbers) -> str:
    """Finding of a figure of curves: where the means lie apart most, and whether noise does that.

    The words for a difference are the test's own: only stretches it found are called one.
    """
    channel, band = channel_label(curves.channel), curves.band
    if band is None:
        why = f" No band: {curves.no_band}." if curves.no_band else ""
        return f"{channel} over the effort under each condition, mean and single periods.{why}"
    unit = difference_unit(curves.unit)
    at = int(np.nanargmax(np.abs(band.difference)))
    size = numbers.with_unit(numbers.signed(float(band.difference[at]), 1), unit)
    return (
        f"{channel}: largest mean difference {size} at {_second(curves.time_s[at], numbers)} s, "
        f"{names.condition} minus {names.reference}. {_where(band, unit, numbers)}"
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


def of_cuts(channel: CutChannel) -> str:
    """Finding of the panels of recordings: how many were touched, and what is shaded."""
    removed = sum(int(r.removed.size) for r in channel.recordings)
    touched = sum(bool(r.removed.size) for r in channel.recordings)
    names = {s.name for r in channel.recordings for s in r.segments}
    shaded, others = [n for n in channel.measured if n in names], cut_beside(channel)
    shown = len(channel.recordings)
    which = (
        f"{shown} of {channel.of} recordings"
        if shown < channel.of
        else (f"{shown} {counted(shown, 'recordings')}")
    )
    told = (
        f"{removed} {counted(removed, 'samples')} removed in {touched} of them"
        if removed
        else "no sample was removed"
    )
    cut = f"; measured in: {', '.join(shaded)}" if shaded else ""
    cut += f"; also cut: {', '.join(others)}" if others else ""
    return f"{channel_label(channel.channel)} of {which}: {told}{cut}."


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
    return disagreement(estimate) or agreement(estimate)


def agreement(estimate: Estimate) -> str:
    """Say that the verdict is the same by other methods; empty where it is not, or untried."""
    rows = estimate.sensitivity
    if not rows or disagreement(estimate):
        return ""
    if len(rows) == 1:
        other = "one other method"
        was, by = f"{upper_first(other)} was", other
    else:
        was, by = f"{len(rows)} other methods were", f"all {len(rows)} other methods"
    if estimate.decision is None:
        return f"{was} tried on the same question."
    return f"The verdict is the same by {by}."


def disagreement(estimate: Estimate) -> str:
    """Say by which other methods the verdict would be another one; empty where by none."""
    rows = estimate.sensitivity
    movers = [row for row in rows if row.moves]
    if estimate.decision is None or not movers:
        return ""
    told = ", ".join(f"{row.method} ({row.verdict})" for row in movers)
    return (
        f"By {len(movers)} of {len(rows)} other {counted(len(rows), 'methods')} the verdict would "
        f"be another one: {told}."
    )


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
        blocks = counted(count, names.blocks)
        return f"Difference against mean of {count} {blocks}: too few to see a pattern."
    means = np.array([0.5 * (p.reference + p.condition) for p in pairs])
    differences = np.array(pair_differences(pairs, outcome))
    if np.ptp(means) == 0 or np.ptp(differences) == 0:
        return f"Difference against mean of {count} {names.blocks}: no spread to compare."
    r = float(np.corrcoef(means, differences)[0, 1])
    # Fisher's z: |z| sqrt(n - 3) beyond 1.96 is a trend noise would seldom give.
    strong = (
        count > 3 and abs(np.arctanh(np.clip(r, -0.999999, 0.999999))) * (count - 3) ** 0.5 > 1.96
    )
    told = "goes along with the level" if strong else "shows no clear link with the level"
    return f"Over {count} {names.blocks} the difference in {lower_first(outcome.label)} {told}."
