"""The pre-declared verdict: where the intervals lie against zero and the worthwhile change."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from trialkit.domain.estimates import Contrast, Decision, Interval, Verdict
from trialkit.statistics.bayes import Evidence, NoisePrior, chances, posterior
from trialkit.statistics.forecast import Analysis, blocks_to_settle
from trialkit.statistics.printed import figure, percent


def classify(interval: Interval, interval_90: Interval, margin: float) -> Verdict:
    """Read the verdict off two intervals of an effect whose positive direction is better.

    Rules in this order: ``helps`` when the 95 % interval lies wholly above the margin; ``no
    worthwhile difference`` when the 90 % interval lies inside (-margin, margin), which is two
    one-sided tests at 5 % (Schuirmann 1987, J Pharmacokinet Biopharm 15:657); ``helps, size not
    settled`` when the 95 % interval lies above zero; mirror images for ``hurts``; otherwise
    ``not settled``.

    Examples
    --------
    >>> classify(Interval(0.2, 3.0), Interval(0.4, 2.8, 0.9), 1.0).value
    'helps, size not settled'
    >>> classify(Interval(0.1, 0.9), Interval(0.2, 0.8, 0.9), 1.0).value
    'no worthwhile difference'
    """
    if interval.low > margin:
        return Verdict.HELPS
    if interval.high < -margin:
        return Verdict.HURTS
    if -margin < interval_90.low and interval_90.high < margin:
        return Verdict.NO_WORTHWHILE_DIFFERENCE
    if interval.low > 0:
        return Verdict.HELPS_SIZE_NOT_SETTLED
    if interval.high < 0:
        return Verdict.HURTS_SIZE_NOT_SETTLED
    return Verdict.NOT_SETTLED


def contrast_verdict(contrast: Contrast, *, sign: int, margin: float) -> Verdict | None:
    """Verdict of one contrast; ``sign`` is +1 where higher is better. None without intervals."""
    if contrast.interval_90 is None:
        return None
    return classify(
        signed_interval(contrast.interval, sign),
        signed_interval(contrast.interval_90, sign),
        margin,
    )


def signed_interval(interval: Interval, sign: int) -> Interval:
    """Turn an interval so that positive is better."""
    ends = sorted((sign * interval.low, sign * interval.high))
    return Interval(ends[0], ends[1], interval.level)


@dataclass(frozen=True, slots=True)
class Question:
    """What the verdict is about.

    ``sign`` is +1 where higher is better, -1 where lower is; ``margin`` the smallest worthwhile
    change on the scale of the contrast; ``further_blocks`` the most that may still be added,
    each adding ``df_per_block`` degrees of freedom. ``blocks_done`` are the blocks behind the
    contrast where each is worth less than a complete one, None where each is complete.
    ``noise`` is the noise prior that the analysis borrows, if any. The effect prior is flat.
    ``scale`` and ``unit`` say how figures are written in the reason.
    """

    sign: int
    margin: float
    further_blocks: int = 30
    df_per_block: float = 1.0
    blocks_done: int | None = None
    noise: NoisePrior | None = None
    scale: str = "raw"
    unit: str | None = None

    def shown(self, value: float) -> str:
        """Write a figure of the contrast turned so that positive is better."""
        if self.scale == "log":
            return f"{self.sign * percent(self.sign * value):.3g} %"
        return figure(value, scale=self.scale, unit=self.unit)


def decide(contrast: Contrast, evidence: Evidence, question: Question) -> Decision | None:
    """Give the verdict of a contrast with its companions; None where it has no intervals.

    ``evidence`` is what the trial says about the same contrast: chances and the forecast of
    further blocks rest on it, also where the intervals come from a randomisation test.
    """
    sign, margin = question.sign, question.margin
    verdict = contrast_verdict(contrast, sign=sign, margin=margin)
    if verdict is None:
        return None
    belief = posterior(evidence, noise=question.noise)
    chance = chances(belief, margin, sign=sign)
    settling = None
    # With less than one df the noise is so unknown that a forecast would be one of nothing.
    known = evidence.df + (question.noise.df if question.noise else 0.0) >= 1
    if verdict is Verdict.NOT_SETTLED and question.further_blocks > 0 and known:
        worth = 2 / evidence.unit_variance / question.blocks_done if question.blocks_done else 1.0
        analysis = Analysis(
            margin, contrast.interval.level, question.noise, question.df_per_block, worth
        )
        settling = blocks_to_settle(evidence, analysis, most=question.further_blocks)
    return Decision(
        verdict=verdict,
        margin=margin,
        chance_better=chance.better,
        chance_within=chance.within,
        chance_worse=chance.worse,
        reason=_reason(verdict, contrast, question),
        further_blocks=None if settling is None else settling.blocks,
        chance_settled=None if settling is None else settling.chance,
    )


def _reason(verdict: Verdict, contrast: Contrast, question: Question) -> str:
    above, below = question.shown(question.margin), question.shown(-question.margin)
    if verdict is Verdict.NO_WORTHWHILE_DIFFERENCE and contrast.interval_90 is not None:
        return f"{_told(contrast.interval_90, question)} lies inside {below} to {above}."
    where = _told(contrast.interval, question)
    return {
        Verdict.HELPS: f"{where} lies wholly above {above}.",
        Verdict.HURTS: f"{where} lies wholly below {below}.",
        Verdict.HELPS_SIZE_NOT_SETTLED: f"{where} lies above 0 but not above the worthwhile "
        f"{above}.",
        Verdict.HURTS_SIZE_NOT_SETTLED: f"{where} lies below 0 but not below the worthwhile "
        f"{below}.",
    }.get(verdict, f"{where} holds 0 and reaches beyond the worthwhile {above}.")


def _told(interval: Interval, question: Question) -> str:
    turned = signed_interval(interval, question.sign)
    level = f"{100 * interval.level:.3g} %"
    if not (isfinite(turned.low) or isfinite(turned.high)):
        return f"the {level} interval is without limits (too few orders are possible); it"
    low, high = question.shown(turned.low), question.shown(turned.high)
    return f"the {level} interval from {low} to {high} (positive is better)"
