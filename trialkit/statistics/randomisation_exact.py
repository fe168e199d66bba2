"""Exact counts over all sign flips of paired differences, by enumeration or meet in the middle."""

from __future__ import annotations

from math import floor

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import norm

Floats = NDArray[np.float64]

# Differences of recorded values carry rounding error of the values they came from, so two sums
# that are equal on paper differ in the last digits. Anything closer than this share of the sum of
# absolute differences is a tie; a missed tie would make p too small.
TIE_SLACK = 1e-9
# Up to here all subset means fit in a few megabytes and are ranked directly.
_MAX_ENUMERATED = 20


def subset_sums(terms: Floats) -> Floats:
    """Return the sums of all 2^n subsets of ``terms`` (n,), the empty one first."""
    sums = np.zeros(1)
    for term in terms:
        sums = np.concatenate((sums, sums + term))
    return sums


def count_subset_sums(terms: Floats, limit: float) -> int:
    """Count the subsets of ``terms`` (n,) whose sum is at most ``limit``; the empty one counts.

    Horowitz & Sahni (1974, J ACM 21:277): all sums of each half are listed, so that 2^n subsets
    cost about 2^(n/2) steps and places.
    """
    half = terms.size // 2
    left = np.sort(subset_sums(terms[:half]))
    right = np.sort(subset_sums(terms[half:]))
    # Sorted queries walk through memory in order, which is several times faster than random ones.
    return int(np.searchsorted(left, limit - right[::-1], side="right").sum())


def sign_flip_count(differences: Floats) -> int:
    """Count the sign patterns whose absolute sum is at least that of ``differences`` (n,)."""
    total = abs(float(differences.sum()))
    slack = TIE_SLACK * float(np.abs(differences).sum())
    if total <= slack:
        return int(2**differences.size)
    # Flipping subset S turns the sum t into t - 2 sum(S): at least t means sum(S) <= 0. The mirror
    # pattern gives the other tail.
    signed = differences if differences.sum() > 0 else -differences
    return 2 * count_subset_sums(signed, slack / 2)


def sign_flip_limits(differences: Floats, alpha: float) -> tuple[float, float, float]:
    """Invert the exact sign-flip test: lower limit, upper limit, achieved level.

    With q = floor(alpha/2 * 2^n) the limits are the q-th smallest and q-th largest of the means
    of all non-empty subsets of ``differences`` (n,), at level 1 - 2q/2^n (Hartigan 1969, JASA
    64:1303). With q = 0 no finite interval exists. Beyond 20 pairs the limits are found by
    counting, to a billionth of the range of the differences.
    """
    n = differences.size
    rank = floor(alpha / 2 * 2**n + 1e-9)
    if rank == 0:
        return -np.inf, np.inf, 1.0
    if n <= _MAX_ENUMERATED:
        sizes = subset_sums(np.ones(n))[1:]
        means = subset_sums(differences)[1:] / sizes
        low, high = np.partition(means, (rank - 1, means.size - rank))[[rank - 1, -rank]]
    else:
        low = _ranked_mean(differences, rank)
        high = -_ranked_mean(-differences, rank)
    return float(low), float(high), 1 - 2 * rank / 2**n


def _ranked_mean(differences: Floats, rank: int) -> float:
    low, high = float(differences.min()), float(differences.max())
    if low == high:
        return low
    all_subsets = 2.0**differences.size
    goal = float(norm.ppf((rank - 0.5) / all_subsets))

    def beyond(centre: float) -> float:
        # Non-empty subsets with a mean at most `centre`; on the normal scale the count is almost
        # straight in `centre`, so the root finder needs few counts.
        count = count_subset_sums(differences - centre, 0.0) - 1
        return float(norm.ppf((count + 0.25) / all_subsets)) - goal

    width = high - low
    ends = low - 1e-9 * width, high + 1e-9 * width
    return float(brentq(beyond, *ends, xtol=1e-9 * width, rtol=1e-13))
