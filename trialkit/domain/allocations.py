"""The drawn order of a trial, and the reasons why a plan cannot answer its question."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class Period:
    """One slot in which one condition is applied and measured.

    ``number``, ``block``, ``position`` (in the block) and ``session`` count from 1. ``rest`` is
    the rest drawn before this period, in whole ``rest_unit`` (``min`` within a session, ``day``
    between sessions); None before the first.
    """

    number: int
    block: int
    position: int
    session: int
    condition: str
    rest: int | None = None
    rest_unit: str | None = None


@dataclass(frozen=True, slots=True)
class Allocation:
    """A drawn sequence with everything needed to draw it again.

    ``seed`` is the non-negative integer the draw came from, ``method`` names the stream and its
    version so that the draw can be repeated on any platform.
    """

    scheme: str
    seed: int
    method: str
    periods: tuple[Period, ...]

    @property
    def sequence(self) -> tuple[str, ...]:
        """Conditions in time order."""
        return tuple(p.condition for p in self.periods)


class Severity(StrEnum):
    """How bad a threat is."""

    CANNOT_ANSWER = "cannot answer"
    WEAK = "weak"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Threat:
    """A reason why the plan cannot answer the question as it stands, with its size and its mend.

    ``size`` is in ``unit`` (the user's own units wherever possible); None when it has no number.
    """

    id: str
    severity: Severity
    text: str
    fix: str
    size: float | None = None
    unit: str | None = None
