"""When the sessions of a trial are held."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class DatedPeriod:
    """One period with its start (timezone-aware); ``number`` counts from 1 within the phase."""

    number: int
    starts: datetime


@dataclass(frozen=True, slots=True)
class DatedSession:
    """One visit: its place in the trial, when it starts and the periods it holds.

    ``phase`` is ``familiarisation``, ``baseline`` or ``trial``; ``number`` counts its sessions
    from 1. ``starts`` is timezone-aware, ``minutes`` the time set aside. ``gap_days`` is the
    number of days since the session before and ``drawn_days`` the rest that was drawn for it;
    either is None where there is none.
    """

    phase: str
    number: int
    starts: datetime
    minutes: int
    periods: tuple[DatedPeriod, ...]
    gap_days: int | None = None
    drawn_days: int | None = None

    @property
    def key(self) -> tuple[str, int]:
        """Phase and number: stays the same when the session gets another date."""
        return self.phase, self.number


@dataclass(frozen=True, slots=True)
class Schedule:
    """All sessions in time order; ``notes`` say where dates differ from what was drawn."""

    sessions: tuple[DatedSession, ...]
    time_zone: str
    notes: tuple[str, ...] = ()

    def find(self, phase: str, number: int) -> DatedSession | None:
        """Return the session of this phase and number, if it is dated."""
        return next((s for s in self.sessions if s.key == (phase, number)), None)
