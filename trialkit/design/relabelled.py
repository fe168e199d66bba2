"""Designs made from one base table: conditions relabelled, rows shuffled.

Williams squares (Williams 1949, Aust J Sci Res A2:149) let every condition follow every other
equally often within the blocks. Balanced incomplete blocks let every two conditions meet in the
same number of blocks, though a block has no room for all of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, combinations, permutations, product
from math import factorial, prod
from typing import Final

from trialkit.design.draws import Stream
from trialkit.design.reference_sets import Codes, ReferenceSet

Table = tuple[Codes, ...]
# Two to seven conditions: all relabellings of a table are listed once (5040 for seven).
MOST_CONDITIONS: Final = 7


def williams_table(conditions: int) -> Table:
    """Rows of a Williams square (two mirrored squares for an odd number of conditions).

    Examples
    --------
    >>> williams_table(4)
    ((0, 1, 3, 2), (1, 2, 0, 3), (2, 3, 1, 0), (3, 0, 2, 1))
    """
    # 0, 1, -1, 2, -2, ... steps through every difference once.
    first = [(i + 1) // 2 if i % 2 else -(i // 2) for i in range(conditions)]
    rows = [tuple((shift + code) % conditions for code in first) for shift in range(conditions)]
    if conditions % 2:
        rows += [row[::-1] for row in rows]
    return tuple(rows)


def incomplete_table(conditions: int, block_size: int) -> Table | None:
    """Smallest balanced incomplete block design known here; None where there is none.

    Every choice of ``block_size`` conditions once is always balanced; three smaller designs exist
    for up to seven conditions: 6 in 10 blocks of 3, 7 in 7 blocks of 3 (Fano) or of 4.

    Examples
    --------
    >>> len(incomplete_table(5, 3)), len(incomplete_table(7, 3))
    (10, 7)
    """
    if not 2 <= block_size < conditions <= MOST_CONDITIONS:
        return None
    if (conditions, block_size) == (6, 3):
        turned = [tuple((x + i) % 5 for x in (0, 1, 2)) for i in range(5)]
        fixed = [(i, (i + 2) % 5, 5) for i in range(5)]
        return tuple(tuple(sorted(row)) for row in (*turned, *fixed))
    if (conditions, block_size) == (7, 3):
        return tuple(tuple(sorted((x + i) % 7 for x in (0, 1, 3))) for i in range(7))
    if (conditions, block_size) == (7, 4):
        return tuple(tuple(sorted((x + i) % 7 for x in (2, 4, 5, 6))) for i in range(7))
    return tuple(combinations(range(conditions), block_size))


@dataclass(frozen=True)
class RelabelledTables(ReferenceSet):
    """Repeats of one table, each with conditions relabelled and rows shuffled at random.

    ``shuffled`` also shuffles the conditions within each row (incomplete blocks); without it a
    row keeps its order up to the relabelling (Williams squares).
    """

    table: Table = ()
    shuffled: bool = False

    @property
    def repeats(self) -> int:
        """Number of tables in the trial."""
        return self.length // (len(self.table) * len(self.table[0]))

    @property
    def _images(self) -> tuple[Table, ...]:
        return _images(self.table, len(self.conditions), self.shuffled)

    def count(self) -> int:
        """Distinct tables, times orders of their rows and of the conditions in a shuffled row."""
        within = factorial(len(self.table[0])) ** len(self.table) if self.shuffled else 1
        one = len(self._images) * factorial(len(self.table)) * int(within)
        return int(one**self.repeats)

    @property
    def smallest_p(self) -> float:
        """Two over the ways to place two conditions, where those share as few tables as can be.

        With incomplete blocks the difference is the one adjusted for blocks.
        """
        if self.shuffled:
            return min(1.0, 2 / int(_placements(self.table, len(self.conditions)) ** self.repeats))
        shared = _fewest_sharing(self._images)
        return min(1.0, 2 * int(shared**self.repeats) / self.count())

    def holds(self, codes: Codes) -> bool:
        """Whether each stretch is a relabelled table with its rows in some order."""
        width, rows = len(self.table[0]), len(self.table)
        lines = [codes[i : i + width] for i in range(0, self.length, width)]
        tables = [lines[i : i + rows] for i in range(0, len(lines), rows)]
        return all(_canonical(table, self.shuffled) in self._images for table in tables)

    def walk(self) -> Iterator[Codes]:
        """Every combination of tables, row orders and orders within shuffled rows."""
        for tables in product(self._images, repeat=self.repeats):
            for ordered in product(*(permutations(table) for table in tables)):
                yield from self._walk_rows(tuple(chain(*ordered)))

    def _walk_rows(self, rows: Table) -> Iterator[Codes]:
        orders = [tuple(permutations(row)) if self.shuffled else (row,) for row in rows]
        return (tuple(chain(*parts)) for parts in product(*orders))

    def pick(self, stream: Stream) -> Codes:
        """Draw a table, shuffle its rows, and its conditions within rows where asked."""
        chosen: list[int] = []
        for _ in range(self.repeats):
            rows = [list(row) for row in stream.choose(self._images)]
            stream.shuffle(rows)
            for row in rows:
                if self.shuffled:
                    stream.shuffle(row)
                chosen.extend(row)
        return tuple(chosen)


@lru_cache(maxsize=32)
def _images(table: Table, conditions: int, shuffled: bool) -> tuple[Table, ...]:
    """Every distinct table a relabelling gives, rows in ascending order."""
    relabelled = (
        _canonical([tuple(label[code] for code in row) for row in table], shuffled)
        for label in permutations(range(conditions))
    )
    return tuple(sorted(set(relabelled)))


def _canonical(rows: list[Codes], shuffled: bool) -> Table:
    return tuple(sorted(tuple(sorted(row)) if shuffled else row for row in rows))


def _placements(table: Table, conditions: int) -> int:
    """Distinct sets of weights the difference adjusted for blocks can have over one table.

    It weighs a period by whether its block holds the one condition, the other, both or none, and
    by their places in it (Yates 1936); the other conditions of a block are all weighed alike.
    """
    blocks, size = len(table), len(table[0])
    replicates = blocks * size // conditions
    both = replicates * (size - 1) // (conditions - 1)
    alone = replicates - both
    # In blocks of two, one condition first weighs the same as the other second.
    kinds = (both, 2 * alone) if size == 2 else (both, alone, alone)
    none = blocks - sum(kinds)
    arranged = factorial(blocks) // prod(map(factorial, (*kinds, none)))
    return int(arranged * (size * (size - 1)) ** both * size ** (2 * alone))


def _fewest_sharing(images: tuple[Table, ...]) -> int:
    """Fewest sequences of one table that put conditions 0 and 1 into the same places."""
    places = [tuple(sorted((row.index(0), row.index(1)) for row in table)) for table in images]
    return min(
        tables * prod(factorial(times) for times in Counter(place).values())
        for place, tables in Counter(places).items()
    )
