"""Rests as they were planned and as they really were."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median
from typing import Final

from trialkit.domain.plans import Span
from trialkit.report.content import PageContent
from trialkit.report.numbers import Numbers

# A session may start a little before the clock time of the one before it.
_GRACE_MIN: Final = 180.0


@dataclass(frozen=True, slots=True)
class Rests:
    """One sort of rest: what lies between, the planned range, the real ones in minutes.

    Real rests run from the start of one period or session to the start of the next.
    """

    between: str
    planned: Span
    minutes: tuple[float, ...]
    grace_min: float = 0.0

    @property
    def too_short(self) -> tuple[float, ...]:
        """The real rests that were shorter than the shortest planned one, in minutes."""
        least = self.planned.low_min - self.grace_min
        return tuple(m for m in self.minutes if m < least)


def rests_of(content: PageContent) -> tuple[Rests, ...]:
    """Planned rests with the real ones, from the periods of which a start is known."""
    inside: list[float] = []
    across: list[float] = []
    held = [p for p in content.trial_periods() if p.actual_start is not None]
    ordered = sorted(held, key=lambda p: (p.actual_start, p.number))
    for before, after in pairwise(ordered):
        if before.actual_start is not None and after.actual_start is not None:
            minutes = (after.actual_start - before.actual_start).total_seconds() / 60
            (inside if before.session == after.session else across).append(minutes)
    rest = content.plan.rest
    found = []
    if rest.between_periods is not None:
        found.append(Rests("periods of one session", rest.between_periods, tuple(inside)))
    if rest.between_sessions is not None:
        found.append(Rests("sessions", rest.between_sessions, tuple(across), _GRACE_MIN))
    return tuple(found)


def rest_sentences(content: PageContent, numbers: Numbers) -> str:
    """The rests planned and the real ones, for the method paragraph."""
    rests = rests_of(content)
    if not rests:
        return ""
    spans = [r.planned for r in rests]
    drawn = any(span.low != span.high for span in spans) and content.plan.design.scheme != "fixed"
    within = ", drawn within these limits" if drawn else ""
    told = " and ".join(f"{in_words(r.planned)} between {r.between}" for r in rests)
    real = "; ".join(
        f"between {r.between} median {_minutes(median(r.minutes), numbers)}, shortest "
        f"{_minutes(min(r.minutes), numbers)}"
        for r in rests
        if r.minutes
    )
    planned = f"Rests planned: {told}{within}."
    return f"{planned} Real ones, from start to start: {real}." if real else planned


def short_rests(content: PageContent, numbers: Numbers) -> Iterator[str]:
    """Limits that come from rests shorter than planned."""
    for rests in rests_of(content):
        short = rests.too_short
        if short:
            were = "was" if len(short) == 1 else "were"
            yield (
                f"{len(short)} of {len(rests.minutes)} rests between {rests.between} {were} "
                f"shorter than planned (shortest {_minutes(min(short), numbers)}, planned at least "
                f"{_minutes(rests.planned.low_min, numbers)}): something of the period before may "
                "be left in the next."
            )


def _minutes(minutes: float, numbers: Numbers) -> str:
    """A rest in the unit it is spoken of."""
    if minutes < 120:
        return f"{numbers.plain(minutes, 0)} min"
    if minutes < 2880:
        return f"{numbers.short(round(minutes / 60, 1))} h"
    return f"{numbers.short(round(minutes / 1440, 1))} days"


def in_words(span: Span) -> str:
    """A range of rests with its unit."""
    if span.unit == "min" and span.low >= 120 and span.low % 60 == span.high % 60 == 0:
        span = replace(span, low=span.low // 60, high=span.high // 60, unit="h")
    unit = {"h": "h", "min": "min", "day": "day" if span.high == 1 else "days"}[span.unit]
    return f"{span.low} to {span.high} {unit}" if span.high != span.low else f"{span.low} {unit}"
