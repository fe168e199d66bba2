"""The sequences of a plain table: every order of the conditions within each block."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from math import factorial, prod

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.observations import Observations

Codes = NDArray[np.integer]

# Orders of a block are found among all its permutations: 9! is 362,880.
_LONGEST = 9


@dataclass(frozen=True, eq=False)
class SwapSet:
    """Sequences a trial could have had: codes (m, n), and whether they are all there are."""

    sequences: Codes
    exact: bool


def swaps_within_blocks(
    obs: Observations, *, max_exact: int = 1_000_000, draws: int = 9_999, seed: int = 0
) -> SwapSet:
    """List the sequences of a plain table: any order of the conditions within each block.

    The conditions measured in a block are shuffled among its measured periods. Up to
    ``max_exact`` sequences are listed in full, otherwise ``draws`` are sampled with ``seed``.
    This is the right reference set only when the order within each block was really drawn.
    """
    run = np.array([obs.levels.index(c) for c in obs.condition.tolist()], dtype=np.int8)
    rows = [np.flatnonzero(obs.block == b) for b in np.unique(obs.block)]
    if prod(_orders(run[r]) for r in rows) <= max_exact and max(map(len, rows)) <= _LONGEST:
        return SwapSet(_listed(rows, run), exact=True)
    rng = np.random.default_rng(seed)
    sampled = np.empty((draws, run.size), dtype=np.int8)
    for r in rows:
        sampled[:, r] = rng.permuted(np.broadcast_to(run[r], (draws, r.size)), axis=1)
    return SwapSet(sampled, exact=False)


def _orders(codes: Codes) -> int:
    counts = np.unique(codes, return_counts=True)[1]
    return factorial(codes.size) // prod(factorial(int(c)) for c in counts)


def _listed(rows: list[NDArray[np.intp]], run: Codes) -> Codes:
    orders = [np.array(sorted(set(permutations(run[r].tolist()))), dtype=np.int8) for r in rows]
    sizes = [len(o) for o in orders]
    listed = np.empty((prod(sizes), run.size), dtype=np.int8)
    picks = np.unravel_index(np.arange(prod(sizes)), sizes)
    for r, order, pick in zip(rows, orders, picks, strict=True):
        listed[:, r] = order[pick]
    return listed
