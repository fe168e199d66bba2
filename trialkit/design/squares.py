"""Latin squares: every condition once in each block and once in each place of a block.

A square of K conditions is K blocks; longer trials hold several squares, each drawn on its own.
Squares are drawn uniformly from all Latin squares of their order (2, 12, 576, 161 280 and
812 851 200 for orders 2 to 6; Fisher & Yates 1934 for order 6), row by row, each row in proportion
to the number of squares it can still become.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import chain, product
from typing import Final

from trialkit.design.draws import Stream
from trialkit.design.reference_sets import Codes, ReferenceSet

LARGEST_ORDER: Final = 6


@dataclass(frozen=True)
class LatinSquares(ReferenceSet):
    """Independent random Latin squares of two to six conditions.

    Examples
    --------
    >>> LatinSquares(("a", "b", "c"), 9).count()
    12
    """

    @property
    def _order(self) -> int:
        return len(self.conditions)

    @property
    def squares(self) -> int:
        """Number of squares in the trial."""
        return self.length // self._order**2

    def count(self) -> int:
        """Number of Latin squares of this order, to the power of the number of squares."""
        return int(_completions(self._empty) ** self.squares)

    @property
    def smallest_p(self) -> float:
        """Two over the ways to place two conditions, at the placement that fewest squares share."""
        # Rows and symbols of a Latin square can trade roles: fixing two symbols leaves as many
        # squares as fixing two rows.
        first, *_ = _rows(self._empty)
        one_row = _taken(self._empty, first)
        shared = min(_completions(_taken(one_row, row)) for row in _rows(one_row))
        return min(1.0, 2 * (shared / _completions(self._empty)) ** self.squares)

    @property
    def _empty(self) -> Codes:
        return (0,) * self._order

    def holds(self, codes: Codes) -> bool:
        """Whether each stretch of ``K * K`` periods is a Latin square."""
        k = self._order
        rows = [codes[i : i + k] for i in range(0, self.length, k)]
        squares = [rows[i : i + k] for i in range(0, len(rows), k)]
        return all(
            len(set(line)) == k
            for square in squares
            for line in chain(square, zip(*square, strict=True))
        )

    def walk(self) -> Iterator[Codes]:
        """Every combination of squares."""
        squares = product(_squares(self._empty), repeat=self.squares)
        return (tuple(chain(*parts)) for parts in squares)

    def pick(self, stream: Stream) -> Codes:
        """Draw square after square, row after row."""
        chosen: list[int] = []
        for _ in range(self.squares):
            used = self._empty
            for _ in range(self._order):
                row = _pick_row(used, stream)
                used = _taken(used, row)
                chosen.extend(row)
        return tuple(chosen)


def _pick_row(used: Codes, stream: Stream) -> Codes:
    rows = list(_rows(used))
    return rows[stream.weighted([_completions(_taken(used, row)) for row in rows])]


def _rows(used: Codes) -> Iterator[Codes]:
    """Rows that repeat nothing: ``used`` holds each column's conditions as bits."""
    return _fill_row((), used)


def _fill_row(row: Codes, used: Codes) -> Iterator[Codes]:
    if len(row) == len(used):
        yield row
        return
    for code in range(len(used)):
        if code not in row and not used[len(row)] >> code & 1:
            yield from _fill_row((*row, code), used)


def _taken(used: Codes, row: Codes) -> Codes:
    return tuple(mask | 1 << code for mask, code in zip(used, row, strict=True))


def _squares(used: Codes) -> Iterator[Codes]:
    full = (1 << len(used)) - 1
    if used[0] == full:
        yield ()
        return
    for row in _rows(used):
        for rest in _squares(_taken(used, row)):
            yield row + rest


def _completions(used: Codes) -> int:
    # Exchanging columns changes no count, so sorted columns stand for all their arrangements.
    return _completions_of_sorted(tuple(sorted(used)))


@cache
def _completions_of_sorted(used: Codes) -> int:
    if used[0] == (1 << len(used)) - 1:
        return 1
    return sum(_completions(_taken(used, row)) for row in _rows(used))
