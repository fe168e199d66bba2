"""What if noise and drift are not as expected: the same plan under other truths."""

from __future__ import annotations

from dataclasses import dataclass, replace

from trialkit.domain.plans import Plan
from trialkit.planning.characteristics import effects_and_target
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import Grid, GridRow, SimulationSettings
from trialkit.planning.recommendation import percent
from trialkit.planning.runners import Watch, run_cells
from trialkit.planning.scenario import Scenario
from trialkit.planning.trials import Truth, truth_of

NOISE_RATIOS = (0.7, 1.0, 1.5)
DRIFTS = (0.0, 0.1, 0.3)


@dataclass(frozen=True, slots=True)
class SensitivityCell:
    """The plan under one truth.

    ``noise_ratio`` is the athlete's noise over the plan's typical error; ``drift`` the change per
    period in typical errors; ``settled`` (without margin the same as ``power``), ``power`` and
    ``wrong`` are chances under the target effect, ``false_alarm`` the chance of a wrong verdict
    (of a rejection, without margin) when there is no effect.
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
    interrupted: bool = False


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
    gains, target = effects_and_target(Grid(effects=(0.0,), target=target), scale)
    truths = [
        replace(truth_of(plan), noise_ratio=ratio, drift=drift)
        for ratio in noise_ratios
        for drift in drifts
    ]
    scenarios = [Scenario(plan, scale, truth, gains) for truth in truths]
    cells = [scenario.cell(plan.design.blocks) for scenario in scenarios]
    tallies, interrupted = run_cells(cells, settings, progress=progress)
    found = tuple(
        _cell(scenario.truth, scenario.rows(cell, tally), target)
        for scenario, cell, tally in zip(scenarios, cells, tallies, strict=True)
        if tally is not None
    )
    return PlanSensitivity(
        blocks=plan.design.blocks,
        true_effect=target,
        unit=scale.unit,
        cells=found,
        reason=_reason(found, scale, target),
        replicates=min((t.trials for t in tallies if t is not None), default=0),
        seed=settings.seed,
        interrupted=interrupted,
    )


def _cell(truth: Truth, rows: list[GridRow], target: float) -> SensitivityCell:
    none, some = (next(r for r in rows if r.true_effect == e) for e in (0.0, target))
    return SensitivityCell(
        noise_ratio=truth.noise_ratio,
        drift=truth.drift,
        settled=some.settled if some.verdicts else some.power,
        power=some.power,
        wrong=some.wrong,
        false_alarm=none.wrong if none.verdicts else none.power,
        ci_halfwidth=some.ci_halfwidth,
        mc_error=max(none.mc_error, some.mc_error),
    )


def _reason(cells: tuple[SensitivityCell, ...], scale: GainScale, target: float) -> str:
    if not cells:
        return "The run was stopped before any figure was known."
    best, worst = (pick(cells, key=lambda c: c.settled) for pick in (max, min))
    does = "shown" if scale.margin is None else "settled"
    return (
        f"A true gain of {target:.3g} {scale.unit} is {does} with a chance between "
        f"{percent(worst.settled)} (noise {worst.noise_ratio:g} times the typical error, "
        f"{_drift(worst.drift)}) and {percent(best.settled)} (noise {best.noise_ratio:g} times, "
        f"{_drift(best.drift)})."
    )


def _drift(size: float) -> str:
    return f"a drift of {size:g} typical errors per period" if size else "no drift"
