"""The smallest true gain a number of blocks probably finds, as the trial will be run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from trialkit.design.detectable import detectable_effect
from trialkit.design.precision import precision_of
from trialkit.domain.plans import Plan
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import SimulationSettings
from trialkit.planning.runners import Watch, run_cells
from trialkit.planning.scenario import Scenario, with_blocks
from trialkit.planning.trials import truth_of
from trialkit.planning.verdicts import Tally

_STEPS = 65
_REACHES = (2.0, 8.0, 32.0)
"""How far to look, in multiples of the gain found at best."""


@dataclass(frozen=True, slots=True)
class SmallestGain:
    """The true gain found (interval excludes zero) with the wanted chance.

    ``gain`` in the unit of the margin, simulated; None when no gain that was tried is found that
    often, or the run was ``interrupted``; ``mc_error`` its Monte-Carlo standard error; ``at_best``
    the closed form with every period held and noise just the typical error.
    """

    blocks: int
    wanted: float
    gain: float | None
    mc_error: float | None
    at_best: float
    interrupted: bool = False


def smallest_gain(
    plan: Plan,
    *,
    blocks: int | None = None,
    wanted: float = 0.8,
    settings: SimulationSettings | None = None,
    progress: Watch | None = None,
) -> SmallestGain | None:
    """Find the smallest true gain that so many blocks find with the wanted chance.

    Parameters
    ----------
    plan
        The protocol.
    blocks
        Number of blocks; the plan's own when None.
    wanted
        Chance that the interval excludes zero.

    Returns
    -------
    SmallestGain or None
        None when the plan has no estimate of noise of its own.
    """
    settings, scale = settings or SimulationSettings(), GainScale.of(plan)
    sized = with_blocks(plan, blocks or plan.design.blocks)
    precision = precision_of(sized)
    if precision.df <= 0:
        return None
    at_best = detectable_effect(precision, power=wanted, level=plan.analysis.level)
    found: tuple[float, float] | None = None
    interrupted = False
    for reach in _REACHES:
        effects = np.linspace(0, reach * at_best, _STEPS)
        gains = tuple(scale.outside(float(e)) for e in effects)
        cell = Scenario(sized, scale, truth_of(plan), gains).cell(sized.design.blocks)
        tallies, interrupted = run_cells([replace(cell, margin=None)], settings, progress=progress)
        if tallies[0] is not None and not interrupted:
            found = _crossing(effects, tallies[0], wanted)
        if found is not None or interrupted:
            break
    return SmallestGain(
        blocks=sized.design.blocks,
        wanted=wanted,
        gain=None if found is None else scale.outside(found[0]),
        mc_error=None if found is None else scale.outside(found[1]),
        at_best=scale.outside(at_best),
        interrupted=interrupted,
    )


def _crossing(effects: np.ndarray, tally: Tally, wanted: float) -> tuple[float, float] | None:
    """Effect at which the power reaches what is wanted, and its error; None if it never does."""
    power = tally.rejected / tally.trials
    reached = np.flatnonzero(power >= wanted)
    if not reached.size:
        return None
    if reached[0] == 0:
        return 0.0, 0.0
    before, after = reached[0] - 1, reached[0]
    slope = (power[after] - power[before]) / (effects[after] - effects[before])
    error = sqrt(wanted * (1 - wanted) / tally.trials) / slope
    return float(effects[before] + (wanted - power[before]) / slope), float(error)
