"""What the answer would be if the correlation between neighbouring periods were known.

For a stated phi the generalised least-squares interval with the residual df is exact, which no
method with an estimated phi is in a short trial. The curve over phi therefore shows how much the
answer leans on the assumption of independent noise.
"""

from __future__ import annotations

import numpy as np

from trialkit.domain.estimates import Contrast, Verdict
from trialkit.domain.observations import Observations
from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.contrasts import LinearContrast, from_variance
from trialkit.statistics.fixed_effects import (
    assemble,
    block_indicators,
    condition_columns,
    nuisance_columns,
)
from trialkit.statistics.options import EstimateOptions, Pair, pairs_to_compare
from trialkit.statistics.serial import SerialDesign
from trialkit.statistics.verdict import contrast_verdict

PHIS = tuple(round(0.1 * i, 1) for i in range(9))


def stated_contrast(
    obs: Observations, options: EstimateOptions, pair: Pair, *, phi: float
) -> LinearContrast:
    """Difference with fixed blocks and the correlation phi at the smallest gap between periods.

    With phi of zero and complete pairs this is the paired t.

    Raises
    ------
    UnanswerableError
        When the condition is not estimable or two periods have the same time.
    """
    assert obs.time is not None
    columns, _ = assemble(
        nuisance_columns(obs, options.terms), condition_columns(obs), block_indicators(obs.block)
    )
    X = columns.matrix
    df = len(X) - X.shape[1]
    if df < 1:
        raise UnanswerableError(
            Problem(
                where="stated correlation",
                found=f"{len(X)} periods for {X.shape[1]} effects",
                wrong="no noise is left to judge a difference by.",
                fix="leave a term out, or measure more blocks.",
            )
        )
    root = np.linalg.cholesky(SerialDesign.of(X, obs.time).correlation(phi))
    white = np.linalg.solve(root, np.column_stack([X, obs.value - obs.value.mean()]))
    beta = np.linalg.lstsq(white[:, :-1], white[:, -1], rcond=None)[0]
    residual = white[:, -1] - white[:, :-1] @ beta
    c = columns.contrast(*pair)
    unscaled = float(c @ np.linalg.solve(white[:, :-1].T @ white[:, :-1], c))
    return from_variance(float(c @ beta), float(residual @ residual) / df * unscaled, df)


def tipping_note(
    obs: Observations, options: EstimateOptions, *, place: int, verdict: Verdict
) -> str:
    """Say from which stated correlation on the verdict would be another one.

    Another one than without correlation: the curve rests on fixed blocks, which can differ from
    ``verdict`` by themselves; then that is said first.
    """
    pair = pairs_to_compare(obs, options)[place]
    found = [_stated_verdict(obs, options, pair, phi) for phi in PHIS]
    own = "" if found[0] is verdict else f' (with fixed blocks "{found[0]}" by itself)'
    for phi, other in zip(PHIS, found, strict=True):
        if other is not found[0]:
            return (
                f"If the noise of neighbouring periods were correlated by {phi:g}, the verdict "
                f'would be "{other}" (exact for a stated correlation){own}.'
            )
    return (
        "The verdict is the same for every stated correlation of neighbouring periods from 0 to "
        f"{PHIS[-1]:g}{own}."
    )


def _stated_verdict(
    obs: Observations, options: EstimateOptions, pair: Pair, phi: float
) -> Verdict | None:
    assert options.margin is not None
    named: Contrast = stated_contrast(obs, options, pair, phi=phi).named(
        *pair, method="stated", level=options.level
    )
    return contrast_verdict(named, sign=options.better.sign, margin=options.margin)
