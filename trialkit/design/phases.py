"""Orders with little or no chance in them: a phase change at a random start, and a fixed order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from trialkit.design.draws import Stream
from trialkit.design.reference_sets import Codes, ReferenceSet


@dataclass(frozen=True)
class PhaseChange(ReferenceSet):
    """The reference first, then the other condition from a random period on.

    Each phase lasts at least ``min_phase`` periods, and every start point that leaves room for
    both is equally likely (Edgington 1975). ``reference`` is the code of the first phase.

    Examples
    --------
    >>> change = PhaseChange(("usual", "new"), 28, min_phase=4)
    >>> change.count(), round(change.smallest_p, 3)
    (21, 0.048)
    """

    min_phase: int = 1
    reference: int = 0

    def count(self) -> int:
        """``n - 2 * min_phase + 1`` for n periods."""
        return max(0, self.length - 2 * self.min_phase + 1)

    @property
    def smallest_p(self) -> float:
        """One over the number of start points: the order of the phases is never exchanged."""
        return 1 / max(1, self.count())

    def holds(self, codes: Codes) -> bool:
        """Whether there is one change, off the reference, with room on both sides."""
        change = codes.count(self.reference)
        allowed = self.min_phase <= change <= self.length - self.min_phase
        return allowed and codes == self._changing_at(change)

    def _changing_at(self, change: int) -> Codes:
        return (self.reference,) * change + (1 - self.reference,) * (self.length - change)

    def walk(self) -> Iterator[Codes]:
        """Every start point, the earliest first."""
        return map(self._changing_at, range(self.min_phase, self.min_phase + self.count()))

    def pick(self, stream: Stream) -> Codes:
        """Draw the start point."""
        return self._changing_at(self.min_phase + stream.below(self.count()))


@dataclass(frozen=True)
class FixedOrder(ReferenceSet):
    """The one order the plan gives: nothing is drawn and no randomisation test exists."""

    order: Codes = ()

    def count(self) -> int:
        """One."""
        return 1

    def holds(self, codes: Codes) -> bool:
        """Whether it is this order."""
        return codes == self.order

    def walk(self) -> Iterator[Codes]:
        """The order itself."""
        return iter((self.order,))

    def pick(self, stream: Stream) -> Codes:
        """Return the order; the stream is left alone."""
        return self.order
