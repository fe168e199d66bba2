"""The reference set of a scheme: every sequence it could have drawn, all equally likely.

A randomisation test compares what happened with exactly this set; a test against any other set is
wrong (Edgington & Onghena, Randomization Tests, 4th ed. 2007). Inside, a sequence is a tuple of
codes: 0 is the first condition of the plan, 1 the second, and so on.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from trialkit.design.draws import Stream
from trialkit.errors import Problem, RequestError

Codes = tuple[int, ...]


@dataclass(frozen=True)
class ReferenceSet(ABC):
    """All sequences of ``length`` periods which one scheme could have drawn for ``conditions``."""

    conditions: tuple[str, ...]
    length: int

    uniform: ClassVar[bool] = True

    @abstractmethod
    def count(self) -> int:
        """How many sequences there are, exactly."""

    @abstractmethod
    def holds(self, codes: Codes) -> bool:
        """Whether the scheme could have drawn ``codes`` (of the right length, in range)."""

    @abstractmethod
    def walk(self) -> Iterator[Codes]:
        """Every sequence once."""

    @abstractmethod
    def pick(self, stream: Stream) -> Codes:
        """Draw one sequence, each equally likely."""

    @property
    def smallest_p(self) -> float:
        """The smallest two-sided p a contrast with the reference could reach in this design.

        With four conditions or more this is a bound from below, unless the scheme knows better.
        """
        # A sequence and the one with both labels exchanged give the same size of difference.
        return min(1.0, 2 / max(1, self.count()))

    def contains(self, sequence: Sequence[str]) -> bool:
        """Whether the scheme could have drawn this sequence of condition names."""
        if len(sequence) != self.length or not set(sequence) <= set(self.conditions):
            return False
        return self.holds(tuple(self.conditions.index(name) for name in sequence))

    def names(self, codes: Codes) -> tuple[str, ...]:
        """Condition names of a coded sequence."""
        return tuple(self.conditions[code] for code in codes)

    def sequences(self) -> Iterator[tuple[str, ...]]:
        """Every sequence once, as condition names."""
        return map(self.names, self.walk())

    def array(self, limit: int = 100_000) -> NDArray[np.int8]:
        """Return every sequence as a row of codes, shape (count, length).

        Raises
        ------
        RequestError
            When there are more than ``limit`` sequences; take a sample then.
        """
        if self.count() > limit:
            raise RequestError(
                Problem(
                    where="reference set",
                    found=f"{self.count()} sequences",
                    wrong=f"that is more than the {limit} asked for at most.",
                    fix="draw a sample of the set instead.",
                )
            )
        return self._rows(islice(self.walk(), limit))

    def sample(self, stream: Stream, m: int) -> NDArray[np.int8]:
        """Draw ``m`` sequences with replacement, shape (m, length), as codes."""
        return self._rows(self.pick(stream) for _ in range(m))

    def _rows(self, sequences: Iterator[Codes]) -> NDArray[np.int8]:
        return np.array(list(sequences), dtype=np.int8).reshape(-1, self.length)
