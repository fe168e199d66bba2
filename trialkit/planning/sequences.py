"""Orders of conditions for many trials at once, from the very set the protocol draws from."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.draws import Stream
from trialkit.design.reference_sets import ReferenceSet

Codes = NDArray[np.int8]

_LISTED = 20_000
"""Sets up to this size are listed in full; of larger ones this many sequences are drawn once."""


def draw_sequences(possible: ReferenceSet, trials: int, rng: np.random.Generator) -> Codes:
    """Draw one order per trial, shape (periods, trials); codes as in the reference set.

    Independent shuffles of blocks are drawn directly. Any other scheme is drawn from its full
    list, or, where the list is too long, from a fixed random sample of it.

    Examples
    --------
    >>> pairs = ShuffledBlocks(("easy", "hard"), 6)
    >>> drawn = draw_sequences(pairs, 1000, np.random.default_rng(1))
    >>> drawn.shape, (drawn[0::2] + drawn[1::2]).tolist() == [[1] * 1000] * 3
    ((6, 1000), True)
    """
    if isinstance(possible, ShuffledBlocks):
        return _shuffled(possible, trials, rng)
    listed = _listed(possible)
    return np.ascontiguousarray(listed[rng.integers(len(listed), size=trials)].T)


def _shuffled(possible: ShuffledBlocks, trials: int, rng: np.random.Generator) -> Codes:
    conditions = len(possible.conditions)
    if conditions == 2:
        # one bit of each random byte: several times faster than drawing integers below 2
        bits = np.frombuffer(rng.bytes(possible.units * trials), dtype=np.int8) & 1
        first = bits.reshape(possible.units, 1, trials)
        orders = np.concatenate([first, 1 - first], axis=1)
    else:
        keys = rng.random((possible.units, conditions, trials))
        orders = np.argsort(keys, axis=1).astype(np.int8)
    # axes: (unit, place, trial)
    spread = np.repeat(orders, possible.days, axis=1)
    if possible.mirrored:
        spread = np.concatenate([spread, spread[:, ::-1]], axis=1)
    return spread.reshape(possible.length, trials)


@lru_cache(maxsize=64)
def _listed(possible: ReferenceSet) -> Codes:
    if possible.uniform and possible.count() <= _LISTED:
        return possible.array(_LISTED)
    return possible.sample(Stream(0, "planning"), _LISTED)
