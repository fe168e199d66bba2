"""What a protocol can and cannot find out: operating characteristics and a recommendation."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

from trialkit.design.schemes import block_length, reference_set
from trialkit.domain.estimates import Verdict
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError, TrialkitError
from trialkit.planning.chunks import Cell
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import Grid, GridRow, OperatingCharacteristics, SimulationSettings
from trialkit.planning.looks import stages_of
from trialkit.planning.methods import declared
from trialkit.planning.model_columns import Terms
from trialkit.planning.noncentral import power_complete_pairs
from trialkit.planning.runners import Watch, run_cells
from trialkit.planning.trials import Truth, truth_of
from trialkit.planning.verdicts import ORDER, Tally, wrong_verdicts

_LADDER = (-4, -2, 0, 2, 4, 8)


def operating_characteristics(
    plan: Plan,
    *,
    grid: Grid | None = None,
    settings: SimulationSettings | None = None,
    truth: Truth | None = None,
    progress: Watch | None = None,
) -> OperatingCharacteristics:
    """Simulate the protocol as it will be run, and count the verdicts.

    Parameters
    ----------
    plan
        The protocol: scheme, conditions, primary outcome with typical error and margin, expected
        nuisances, declared analysis.
    grid
        Numbers of blocks and true effects (gains, in the unit of the margin).
    settings
        Replicates, seed, and who does the work.
    truth
        What is assumed to be true; the plan's own expectations when None.
    progress
        Called now and then with how far the run is.

    Raises
    ------
    UnanswerableError
        When the plan names no single primary outcome or no typical error: nothing can be simulated.
    RequestError
        When no number of blocks in the grid fits the scheme.
    """
    grid, settings = grid or Grid(), settings or SimulationSettings()
    scale = GainScale.of(plan)
    truth = truth or truth_of(plan)
    effects, target = _effects(grid, scale)
    tried = tuple(sorted({*effects, target}))
    cells = _cells(plan, grid, truth, scale, tried)
    tallies, interrupted = run_cells(cells, settings, progress=progress)
    finished = [(c, t) for c, t in zip(cells, tallies, strict=True) if t is not None]
    rows = [row for cell, tally in finished for row in _rows(cell, tally, tried, scale)]
    aim = {row.blocks: row for row in rows if row.true_effect == target}
    recommended, reason = _recommend(aim, grid, scale)
    return OperatingCharacteristics(
        rows=tuple(row for row in rows if row.true_effect in effects),
        unit=scale.unit,
        margin=scale.margin,
        target=target,
        recommended_blocks=recommended,
        reason=reason,
        replicates=min((t.trials for _, t in finished), default=0),
        asked=settings.replicates,
        seed=settings.seed,
        method=plan.analysis.method,
        notes=_notes(truth, interrupted),
    )


def _effects(grid: Grid, scale: GainScale) -> tuple[tuple[float, ...], float]:
    # Without a margin the typical error itself is the yardstick.
    step = scale.margin if scale.margin is not None else scale.outside(1.0)
    effects = grid.effects or tuple(k * step for k in range(4))
    return effects, 2 * step if grid.target is None else grid.target


def _cells(
    plan: Plan, grid: Grid, truth: Truth, scale: GainScale, tried: tuple[float, ...]
) -> list[Cell]:
    own = plan.design.blocks
    blocks = grid.blocks or tuple(sorted({b for k in _LADDER if (b := own + k) >= 2} | {own}))
    cells: list[Cell] = []
    problems: list[Problem] = []
    for number in blocks:
        sized = replace(plan, design=replace(plan.design, blocks=number))
        try:
            possible = reference_set(sized)
        except TrialkitError as error:
            problems += error.problems
            continue
        cells.append(
            Cell(
                key=number,
                blocks=number,
                block_size=block_length(plan),
                possible=possible,
                reference=plan.condition_names.index(plan.reference.name),
                truth=truth,
                declaration=declared(plan),
                stages=stages_of(plan, number),
                effects=tuple(scale.inside(gain) for gain in tried),
                margin=None if scale.margin is None else scale.inside(scale.margin),
            )
        )
    if not cells:
        raise RequestError(dict.fromkeys(problems))
    return cells


def _rows(cell: Cell, tally: Tally, tried: tuple[float, ...], scale: GainScale) -> list[GridRow]:
    return [_row(cell, tally, place, gain, scale) for place, gain in enumerate(tried)]


def _row(cell: Cell, tally: Tally, place: int, gain: float, scale: GainScale) -> GridRow:
    n = tally.trials
    effect, power = cell.effects[place], float(tally.rejected[place]) / n
    verdicts: dict[Verdict, float] = {}
    wrong = settled = 0.0
    if cell.margin is not None:
        shares = (tally.verdicts[place] / n).tolist()
        verdicts = dict(zip(ORDER, shares, strict=True))
        false = wrong_verdicts(effect, cell.margin)
        wrong = sum(share for verdict, share in verdicts.items() if verdict in false)
        settled = 1 - wrong - verdicts[Verdict.NOT_SETTLED]
    chances = [power, wrong, settled, *verdicts.values()]
    return GridRow(
        blocks=cell.blocks,
        true_effect=gain,
        power=power,
        verdicts=verdicts,
        wrong=wrong,
        settled=settled,
        ci_halfwidth=scale.outside(tally.median_half_width),
        mc_error=max(sqrt(p * (1 - p) / n) for p in chances if 0 <= p <= 1),
        closed_form_power=_closed_form(cell, effect),
        mean_blocks=float(tally.blocks_used[place]) / n,
    )


def _closed_form(cell: Cell, effect: float) -> float | None:
    """Power by the noncentral t where it is exact: complete pairs, normal noise known in size."""
    truth, declaration = cell.truth, cell.declaration
    exact = (
        cell.block_size == len(cell.possible.conditions) == 2
        and declaration.method in {"paired", "auto"}
        and declaration.terms == Terms()
        and truth == Truth(block_sd=truth.block_sd)
        and len(cell.stages) == 1
        and (cell.blocks >= 4 or declaration.borrowed_df is None or declaration.method == "paired")
        and cell.blocks >= 2
    )
    if not exact:
        return None
    return power_complete_pairs(cell.blocks, effect, level=declaration.level)


def _recommend(aim: dict[int, GridRow], grid: Grid, scale: GainScale) -> tuple[int | None, str]:
    """The fewest blocks that settle the target often enough, and why, in one sentence."""
    if not aim:
        return None, "The run was stopped before any figure was known."
    chance = {b: row.settled if row.verdicts else row.power for b, row in aim.items()}
    does = "settle" if scale.margin is not None else "show"
    gain = f"a true gain of {next(iter(aim.values())).true_effect:.3g} {scale.unit}"
    enough = [b for b, share in chance.items() if share >= grid.wanted]
    if not enough:
        most = max(chance)
        return None, (
            f"No number tried is enough: {most} blocks have a chance of "
            f"{_share(chance[most], grid.wanted)} to "
            f"{does} {gain}, and {grid.wanted:.0%} is wanted."
        )
    best = min(enough)
    fewer = [b for b in chance if b < best]
    reason = f"{best} blocks: {_share(chance[best], grid.wanted)} chance to {does} {gain}"
    if fewer:
        reason += f"; {max(fewer)} blocks would {does} {_share(chance[max(fewer)], grid.wanted)}"
    return best, reason + "."


def _share(chance: float, wanted: float) -> str:
    """A chance in percent, with a decimal where rounding would hide on which side it lies."""
    rounded = round(chance, 2)
    return f"{chance:.1%}" if (rounded >= wanted) != (chance >= wanted) else f"{chance:.0%}"


def _notes(truth: Truth, interrupted: bool) -> tuple[str, ...]:
    notes = []
    if interrupted:
        notes.append("The run was stopped early; the figures rest on the trials done until then.")
    if truth.noise_df is not None:
        notes.append(
            f"The athlete's own noise is not known: it is drawn around the typical error with its "
            f"{truth.noise_df:g} degrees of freedom."
        )
    return tuple(notes)
