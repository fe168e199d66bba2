"""What is asked of a series, and how its figures are named and printed."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.domain.outcomes import Better
from trialkit.report.numbers import POINT, Numbers


@dataclass(frozen=True, slots=True)
class SeriesQuestion:
    """Names, unit and margin of the comparison a series is about.

    ``margin`` is the smallest worthwhile change in ``unit``; ``better`` None when nobody said which
    direction is better. ``notes`` are told with the method.
    """

    outcome: str
    condition: str
    reference: str
    unit: str = ""
    margin: float | None = None
    better: Better | None = None
    notes: tuple[str, ...] = ()
    invented: bool = False
    numbers: Numbers = POINT
