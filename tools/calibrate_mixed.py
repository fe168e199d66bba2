"""Ways out of the boundary that were tried beside the one that was chosen.

Where the restricted likelihood puts the block variance at zero, plain Kenward-Roger is too ready to
find a difference. Three ways out: let the block variance be negative, take fixed blocks in such
trials, or (chosen) take the noise no smaller than inside blocks.
"""

from __future__ import annotations

import numpy as np

from trialkit.planning import mixed_blocks
from trialkit.planning.fits import Fits
from trialkit.planning.fixed_blocks import fit_fixed_blocks
from trialkit.planning.model_columns import Terms
from trialkit.planning.trials import Trials

# ln(1 + largest block x ratio) below zero: ratios down to where the covariance is singular.
_NEGATIVE = -np.array([8, 6, 4.5, 3.5, 2.8, 2.2, 1.8, 1.4, 1.1, 0.8, 0.55, 0.3, 0.12])


def fit_unconstrained(trials: Trials) -> Fits:
    """REML with Kenward-Roger error, the block variance free down to the singular covariance."""
    kept = mixed_blocks._X
    mixed_blocks._X = np.concatenate([_NEGATIVE, kept])  # type: ignore[misc]
    try:
        return mixed_blocks.fit_mixed_blocks(trials, Terms())
    finally:
        mixed_blocks._X = kept  # type: ignore[misc]


def fixed_at_zero(trials: Trials, plain: Fits) -> Fits:
    """``plain`` fits, but least squares with fixed blocks where the block variance is zero."""
    fixed = fit_fixed_blocks(trials, Terms())
    # Pooled noise is below the noise inside blocks just where the block variance is zero.
    guarded = mixed_blocks.fit_mixed_blocks(trials, Terms(), guarded=True)
    places = np.flatnonzero((guarded.residual > plain.residual) & (fixed.df > 0))
    whole = Fits.without_answer(plain.estimate.size).put(np.arange(plain.estimate.size), fixed)
    chosen = (whole.estimate, whole.residual, whole.unit_variance, whole.df)
    return plain.put(places, Fits(*(np.asarray(column)[places] for column in chosen)))
