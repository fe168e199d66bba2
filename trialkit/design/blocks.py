"""Complete blocks: every block holds every condition, and each block is shuffled on its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, permutations, product
from math import factorial

from trialkit.design.draws import Stream
from trialkit.design.reference_sets import Codes, ReferenceSet


@dataclass(frozen=True)
class ShuffledBlocks(ReferenceSet):
    """Independent random orders in each of ``length / (conditions * days)`` blocks.

    ``days`` is how many consecutive periods keep one condition (1 but in multi-day blocks).
    ``mirrored`` follows every shuffled block by its mirror image (AB by BA), which makes every
    sequence free of a linear drift.

    Examples
    --------
    >>> pairs = ShuffledBlocks(("easy", "hard"), 8)
    >>> pairs.count(), pairs.smallest_p
    (16, 0.125)
    """

    days: int = 1
    mirrored: bool = False

    @property
    def units(self) -> int:
        """Number of independent shuffles."""
        return self.length // self._unit_length

    @property
    def _unit_length(self) -> int:
        return len(self.conditions) * self.days * (2 if self.mirrored else 1)

    def count(self) -> int:
        """``(K!) ** units`` for K conditions."""
        return int(factorial(len(self.conditions)) ** self.units)

    @property
    def smallest_p(self) -> float:
        """Two over the number of ways to place one condition and the reference."""
        k = len(self.conditions)
        # With four conditions or more, exchanging the others leaves the contrast as it is.
        return min(1.0, 2 / int((k * (k - 1)) ** self.units))

    def holds(self, codes: Codes) -> bool:
        """Whether every unit is a full order, repeated over its days, and mirrored if asked."""
        units = (codes[i : i + self._unit_length] for i in range(0, self.length, self._unit_length))
        return all(self._holds_unit(unit) for unit in units)

    def _holds_unit(self, unit: Codes) -> bool:
        order = unit[: len(self.conditions) * self.days : self.days]
        return len(set(order)) == len(self.conditions) and unit == self._spread(order)

    def _spread(self, order: Codes) -> Codes:
        """One unit of periods from one order of the conditions."""
        once = tuple(code for code in order for _ in range(self.days))
        return once + once[::-1] if self.mirrored else once

    def walk(self) -> Iterator[Codes]:
        """Every combination of orders, the last block changing fastest."""
        units = [self._spread(p) for p in permutations(range(len(self.conditions)))]
        return (tuple(chain(*parts)) for parts in product(units, repeat=self.units))

    def pick(self, stream: Stream) -> Codes:
        """Shuffle the conditions anew for every unit."""
        parts = []
        for _ in range(self.units):
            order = list(range(len(self.conditions)))
            stream.shuffle(order)
            parts.append(self._spread(tuple(order)))
        return tuple(chain(*parts))
