"""Expectations over an estimated standard deviation, and the noncentral t built on them.

``scipy.stats.nct`` (1.17) gives NaN at ordinary arguments with few degrees of freedom, so the
distribution is integrated here: given the estimated SD, a noncentral t is a plain normal.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import chi2, norm

Floats = NDArray[np.float64]

_NODES = 240
_TAIL = 1e-17


@lru_cache(maxsize=256)
def sd_ratio_nodes(df: float, count: int = _NODES) -> tuple[Floats, Floats]:
    """Nodes and weights for the ratio of an SD estimated on ``df`` to the true one.

    ``sum(weights * f(nodes))`` is the expectation of f(sqrt(chi2_df / df)), by Gauss-Legendre
    over all but 1e-17 of each tail; about 1e-12 for smooth f with the standard ``count`` of nodes.
    """
    low = np.sqrt(chi2.ppf(_TAIL, df) / df)
    high = np.sqrt(chi2.isf(_TAIL, df) / df)
    node, weight = np.polynomial.legendre.leggauss(count)
    ratio = low + (high - low) * (node + 1) / 2
    density = chi2.pdf(df * ratio**2, df) * 2 * df * ratio
    weight = weight * density
    return ratio, weight / weight.sum()


def noncentral_t_cdf(t: float, df: float, shift: float) -> float:
    """Chance that a noncentral t with ``df`` degrees of freedom and ``shift`` is at most ``t``.

    Johnson, Kotz & Balakrishnan (1995), Continuous Univariate Distributions 2, chapter 31.

    Examples
    --------
    >>> round(noncentral_t_cdf(0.0, 9, 0.0), 12)
    0.5
    """
    ratio, weight = sd_ratio_nodes(float(df))
    return float(weight @ norm.cdf(t * ratio - shift))


def noncentral_t_quantile(p: float, df: float, shift: float) -> float:
    """Value below which a noncentral t falls with chance ``p`` (0 < p < 1)."""
    low, high = shift - 10.0, shift + 10.0
    while noncentral_t_cdf(low, df, shift) > p:
        low -= 2 * (high - low)
    while noncentral_t_cdf(high, df, shift) < p:
        high += 2 * (high - low)
    root = brentq(lambda t: noncentral_t_cdf(t, df, shift) - p, low, high, xtol=1e-12, rtol=1e-13)
    return float(root)
