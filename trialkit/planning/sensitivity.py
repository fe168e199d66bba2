"""What if noise and drift are not as expected: the same plan under other truths."""

from __future__ import annotations

from dataclasses import dataclass, replace

from trialkit.domain.plans import Plan
from trialkit.planning.characteristics import operating_characteristics
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import Grid, SimulationSettings
from trialkit.planning.runners import Watch
from trialkit.planning.trials import truth_of

NOISE_RATIOS = (0.7, 1.0, 1.5)
DRIFTS = (0.0, 0.1, 0.3)


@dataclass(frozen=True, slots=True)
class SensitivityCell:
    """The plan under one truth.

    ``noise_ratio`` is the athlete's noise over the plan's typical error; ``drift`` the change per
    period in typical errors; ``settled``, ``power`` and ``wrong`` are chances under the target
    effect, ``false_alarm`` the chance of a wrong verdict (of a rejection, without margin) when
    there is no effect.
    """

    noise_ratio: float
    drift: float
    settled: float
    power: float
    wrong: float
    false_alarm: float
    ci_halfwidth: float
    mc_error: float


@dataclass(frozen=True, slots=True)
class PlanSensitivity:
    """The plan over noise and drift for one number of blocks and one true effect."""

    blocks: int
    true_effect: float
    unit: str
    cells: tuple[SensitivityCell, ...]
    reason: str
    replicates: int
    seed: int


def sensitivity(
    plan: Plan,
    *,
    target: float | None = None,
    noise_ratios: tuple[float, ...] = NOISE_RATIOS,
    drifts: tuple[float, ...] = DRIFTS,
    settings: SimulationSettings | None = None,
    progress: Watch | None = None,
) -> PlanSensitivity:
    """Vary what is not known: the athlete's noise and the drift along the trial.

    Parameters
    ----------
    plan
        The protocol; its own number of blocks is used.
    target
        True gain in the unit of the margin; twice the margin when None.
    noise_ratios
        The athlete's noise over the typical error, each above zero.
    drifts
        Change per period in typical errors.
    """
    settings = settings or SimulationSettings()
    scale = GainScale.of(plan)
    if target is None:
        target = 2 * (scale.outside(1.0) if scale.margin is None else scale.margin)
    grid = Grid(blocks=(plan.design.blocks,), effects=(0.0, target), target=target)
    cells = []
    for ratio in noise_ratios:
        for drift in drifts:
            truth = replace(truth_of(plan), noise_ratio=ratio, drift=drift)
            rows = operating_characteristics(
                plan, grid=grid, settings=settings, truth=truth, progress=progress
            ).rows
            none, some = (next(r for r in rows if r.true_effect == e) for e in (0.0, target))
            cells.append(
                SensitivityCell(
                    noise_ratio=ratio,
                    drift=drift,
                    settled=some.settled,
                    power=some.power,
                    wrong=some.wrong,
                    false_alarm=none.wrong if none.verdicts else none.power,
                    ci_halfwidth=some.ci_halfwidth,
                    mc_error=max(none.mc_error, some.mc_error),
                )
            )
    return PlanSensitivity(
        blocks=plan.design.blocks,
        true_effect=target,
        unit=scale.unit,
        cells=tuple(cells),
        reason=_reason(cells, scale, target),
        replicates=settings.replicates,
        seed=settings.seed,
    )


def _reason(cells: list[SensitivityCell], scale: GainScale, target: float) -> str:
    chance = {c: c.power if scale.margin is None else c.settled for c in cells}
    best, worst = max(cells, key=chance.__getitem__), min(cells, key=chance.__getitem__)
    return (
        f"A true gain of {target:.3g} {scale.unit} is found with a chance between "
        f"{chance[worst]:.0%} (noise {worst.noise_ratio:g} times the typical error, drift "
        f"{worst.drift:g} per period) and {chance[best]:.0%} (noise {best.noise_ratio:g} times, "
        f"drift {best.drift:g})."
    )
