"""Simulated trials: what is assumed to be true, and responses drawn under it.

Everything is in units of the outcome's typical error on the scale of the analysis, signed so that
positive is better. The condition effect itself is left out: every estimator used here moves with it
exactly, so that one set of draws serves all true effects (and their comparison is free of noise).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.design.reference_sets import ReferenceSet
from trialkit.domain.plans import Plan
from trialkit.planning.quantiles import Floats
from trialkit.planning.sequences import Codes, draw_sequences


@dataclass(frozen=True, slots=True)
class Truth:
    """What is assumed to be true of athlete, outcome and conduct, in units of the typical error.

    ``block_sd`` between-block SD; ``drift`` change per period; ``period_effect`` added at each
    further place in a block; ``carryover`` what a condition leaves in the next period, relative to
    the reference; ``phi`` correlation of neighbouring periods; ``missing`` share of periods missed
    at random; ``noise_df`` degrees of freedom of the typical error (the athlete's own noise is then
    drawn around it; None takes it as known); ``noise_ratio`` the athlete's noise over the plan's
    typical error, where they differ; ``tail_df`` degrees of freedom of heavy-tailed noise (Student
    t scaled to the same SD; None is normal).
    """

    block_sd: float = 1.0
    drift: float = 0.0
    period_effect: float = 0.0
    carryover: float = 0.0
    phi: float = 0.0
    missing: float = 0.0
    noise_df: float | None = None
    noise_ratio: float = 1.0
    tail_df: float | None = None


def truth_of(plan: Plan) -> Truth:
    """Read the planner's expectations off a plan."""
    expected, outcome = plan.expected, plan.primary
    typical = None if outcome is None else outcome.typical_error
    return Truth(
        block_sd=expected.block_sd,
        drift=expected.drift,
        period_effect=expected.period_effect,
        carryover=expected.carryover,
        phi=expected.phi,
        missing=expected.missing,
        noise_df=None if typical is None else typical.df,
        tail_df=expected.tail_df,
    )


@dataclass(frozen=True, eq=False)
class Trials:
    """Simulated trials side by side.

    ``y`` (periods, trials); ``codes`` (periods, trials), 0 being the reference and 1 the condition
    of the verdict; ``present`` (periods, trials), or None where no period was missed. Blocks are
    runs of ``block_size`` periods.
    """

    y: Floats
    codes: Codes
    present: NDArray[np.bool_] | None
    block_size: int
    conditions: int

    def pick(self, trials: NDArray[np.intp]) -> Trials:
        """Return some of the trials."""
        present = None if self.present is None else self.present[:, trials]
        return Trials(
            self.y[:, trials], self.codes[:, trials], present, self.block_size, self.conditions
        )

    def first(self, blocks: int) -> Trials:
        """Return the trials as they stand after so many blocks."""
        stop = blocks * self.block_size
        present = None if self.present is None else self.present[:stop]
        return Trials(self.y[:stop], self.codes[:stop], present, self.block_size, self.conditions)


def simulate(
    possible: ReferenceSet,
    truth: Truth,
    *,
    block_size: int,
    trials: int,
    rng: np.random.Generator,
    reference: int = 0,
) -> Trials:
    """Draw trials with an order from ``possible`` each and no difference between conditions."""
    codes = draw_sequences(possible, trials, rng)
    if reference:
        codes = ((codes - reference) % len(possible.conditions)).astype(np.int8)
    present = None
    if truth.missing > 0:
        present = rng.random(codes.shape) >= truth.missing
        if present.all():
            present = None
    y = _noise(codes.shape, truth, block_size, rng)
    if truth.drift or truth.period_effect:
        y += _course(codes.shape[0], truth, block_size)[:, None]
    if truth.carryover:
        left = (codes[:-1] != 0) if present is None else (codes[:-1] != 0) & present[:-1]
        y[1:] += truth.carryover * left
    return Trials(y, codes, present, block_size, len(possible.conditions))


def _course(periods: int, truth: Truth, block_size: int) -> Floats:
    number = np.arange(periods)
    return truth.drift * number + truth.period_effect * (number % block_size)


def _noise(
    shape: tuple[int, ...], truth: Truth, block_size: int, rng: np.random.Generator
) -> Floats:
    """Error and block effects together, shape (periods, trials)."""
    periods, trials = shape
    spread: Floats | float = truth.noise_ratio
    if truth.noise_df is not None:
        spread = spread * np.sqrt(truth.noise_df / rng.chisquare(truth.noise_df, trials))
    if truth.tail_df is None and truth.phi == 0:
        z = _exchangeable(shape, truth.block_sd / spread, block_size, rng)
        z *= spread
        return z
    if truth.tail_df is None:
        z = rng.standard_normal(shape)
    else:
        z = rng.standard_t(truth.tail_df, shape) * np.sqrt(1 - 2 / truth.tail_df)
    for t in range(1, periods):
        z[t] = truth.phi * z[t - 1] + np.sqrt(1 - truth.phi**2) * z[t]
    blocks = rng.standard_normal((periods // block_size, trials))
    return z * spread + truth.block_sd * np.repeat(blocks, block_size, axis=0)


def _exchangeable(
    shape: tuple[int, ...], block_sd: Floats | float, block_size: int, rng: np.random.Generator
) -> Floats:
    """Normal error of SD 1 plus block effects, from one normal number per period.

    With a block of m periods, I + s^2 J is the square of I + c J for c = (sqrt(1 + m s^2) - 1)/m:
    adding c times the block's sum to each period gives the very distribution of a separate draw
    per block, for two thirds of the random numbers in pairs.
    """
    z = rng.standard_normal(shape)
    c = (np.sqrt(1 + block_size * np.square(block_sd)) - 1) / block_size
    by_block = z.reshape(-1, block_size, shape[1])
    share = by_block.sum(axis=1) * c
    by_block += share[:, None, :]
    return z
