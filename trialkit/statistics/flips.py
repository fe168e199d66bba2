"""Sign patterns of pairs: the joint re-randomisations behind tests of many outcomes or times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# 2^15 patterns of 16 pairs, times hundreds of time points, still take well under a second.
MOST_EXACT_PAIRS = 16


@dataclass(frozen=True, eq=False)
class FlipSet:
    """Sign patterns (m, n) of +1 and -1; the first row leaves everything as it was.

    An exact set holds one of each mirrored couple, which is enough for two-sided statistics.
    """

    signs: NDArray[np.float64]
    exact: bool

    @property
    def smallest_p(self) -> float:
        """Smallest two-sided p these patterns can reach."""
        return 1 / len(self.signs)


def flip_set(n: int, *, draws: int = 9_999, seed: int = 0) -> FlipSet:
    """List all sign patterns of ``n`` pairs, or sample them when there are more than 16 pairs.

    Examples
    --------
    >>> flip_set(3).signs.astype(int).tolist()
    [[1, 1, 1], [1, -1, 1], [1, 1, -1], [1, -1, -1]]
    """
    if n <= MOST_EXACT_PAIRS:
        bits = (np.arange(2 ** (n - 1))[:, None] >> np.arange(n - 1)[None, :]) & 1
        signs = np.hstack((np.ones((bits.shape[0], 1)), 1.0 - 2.0 * bits))
        return FlipSet(signs, exact=True)
    drawn = np.random.default_rng(seed).integers(0, 2, size=(draws, n), dtype=np.int8)
    # What was run counts as one draw, so a sampled p is never zero: (b + 1) / (m + 1).
    return FlipSet(np.vstack((np.ones((1, n)), 1.0 - 2.0 * drawn)), exact=False)
