"""Which days lead to the end: rules on days and rests, stepped for all days of a session at once.

Sets of days are whole numbers with bit ``i`` for the day ``i`` after ``origin``. Weekly limits
and shared weekdays are left to the search, which enters no day that is closed here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, time, timedelta
from typing import Final

from trialkit.design.calendar_rules import Request, Rules

# Where no longest rest is set, a session is looked for within this many days.
HORIZON: Final = 400
# Days set aside for each session when nothing limits the rest between two.
_FREE_GAP: Final = 14


class Reach:
    """Days open to each session, and how many sessions find a day from the start on.

    ``first_days`` are those the first session may be held on as far as the start and the sessions
    before it are concerned.
    """

    def __init__(
        self, requests: Sequence[Request], rules: Rules, *, origin: date, first_days: Iterable[date]
    ) -> None:
        self._rules, self._origin = rules, origin
        self._span = len(requests) * (rules.longest or _FREE_GAP) + HORIZON
        allowed = {at: self._allowed(at) for at in {request.at for request in requests}}
        per_session = [allowed[request.at] for request in requests]
        self._open = self._leading_on(per_session)
        start = sum(1 << (day - origin).days for day in first_days)
        self.dated = self._count_dated(start, per_session)

    def is_open(self, place: int, day: date) -> bool:
        """Whether the session at ``place`` (from 0) may be held on ``day`` and lead on."""
        return bool(self._open[place] >> (day - self._origin).days & 1)

    def _allowed(self, at: time) -> int:
        days = (self._origin + timedelta(days=i) for i in range(self._span))
        return sum(1 << i for i, day in enumerate(days) if self._rules.allow(day, at))

    def _leading_on(self, per_session: list[int]) -> list[int]:
        """For each session, its allowed days from which all later sessions find theirs."""
        leading = [per_session[-1]]
        for allowed in reversed(per_session[:-1]):
            leading.append(self._before(leading[-1]) & allowed)
        return leading[::-1]

    def _count_dated(self, days: int, per_session: list[int]) -> int:
        for dated, allowed in enumerate(per_session):
            days &= allowed
            if not days:
                return dated
            days = self._after(days)
        return len(per_session)

    def _before(self, days: int) -> int:
        """Days from which one of ``days`` comes within the shortest and longest rest."""
        if self._rules.longest is None:
            latest = days.bit_length() - 1 - self._rules.shortest
            return (1 << max(0, latest + 1)) - 1
        return self._smeared(days, self._rules.longest) >> self._rules.longest

    def _after(self, days: int) -> int:
        """Days that come within the shortest and longest rest after one of ``days``."""
        everything = (1 << self._span) - 1
        if self._rules.longest is None:
            earliest = (days & -days).bit_length() - 1 + self._rules.shortest
            return everything >> earliest << earliest
        return self._smeared(days, self._rules.longest) << self._rules.shortest & everything

    def _smeared(self, days: int, longest: int) -> int:
        """Each day and those after it, for as many days as the range of rests is wide."""
        width, wanted = 1, longest - self._rules.shortest + 1
        if wanted < 1:
            return 0
        while width < wanted:
            step = min(width, wanted - width)
            days |= days << step
            width += step
        return days
