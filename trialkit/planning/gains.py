"""Gains in the unit of the outcome, and the same in typical errors, where positive is better."""

from __future__ import annotations

from math import expm1, log1p

from trialkit.domain.outcomes import Outcome, Scale
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, UnanswerableError


class GainScale:
    """Turns gains in the user's unit into typical errors (positive is better), and back."""

    def __init__(self, outcome: Outcome, noise: float) -> None:
        self.log = outcome.scale is Scale.LOG
        self.noise = noise
        self.unit = "%" if self.log else outcome.unit
        worthwhile = outcome.worthwhile
        self.margin = None if worthwhile is None else worthwhile.value

    @classmethod
    def of(cls, plan: Plan) -> GainScale:
        """Read it off the plan's primary outcome."""
        outcome = plan.primary
        noise = None if outcome is None else outcome.analysis_noise
        if outcome is None or noise is None:
            raise UnanswerableError(_missing(outcome))
        return cls(outcome, noise)

    def inside(self, gain: float) -> float:
        """A gain in typical errors."""
        return (log1p(gain / 100) if self.log else gain) / self.noise

    def outside(self, size: float) -> float:
        """Typical errors as a gain in the user's unit."""
        return 100 * expm1(size * self.noise) if self.log else size * self.noise


def _missing(outcome: Outcome | None) -> Problem:
    if outcome is None:
        return Problem(
            where="outcomes",
            found="no single primary outcome",
            wrong="planning is about the one outcome that decides.",
            fix="give exactly one outcome the role primary.",
        )
    return Problem(
        where=f"outcome {outcome.name}",
        found="no typical error",
        wrong="without the noise of one measurement nothing can be simulated.",
        fix="give typical_error with value, unit, df and source, from repeated measurements.",
    )
