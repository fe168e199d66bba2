"""What a protocol can and cannot find out: operating characteristics and a recommendation."""

from __future__ import annotations

from dataclasses import dataclass, field

from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError, TrialkitError
from trialkit.planning.chunks import Cell
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import Grid, GridRow, OperatingCharacteristics, SimulationSettings
from trialkit.planning.recommendation import Aim
from trialkit.planning.runners import Watch, run_cells
from trialkit.planning.scenario import Scenario
from trialkit.planning.trials import Truth, truth_of

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
        Numbers of blocks and true effects (gains, in the unit of the margin). Where no numbers of
        blocks are named, the fewest that reach the aim are looked for.
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
    scale, truth = GainScale.of(plan), truth or truth_of(plan)
    effects, target = effects_and_target(grid, scale)
    aim = Aim(plan, scale, grid, target)
    run = _Run(Scenario(plan, scale, truth, effects), settings, progress)
    run.simulate(_cells(run.scenario, grid.blocks or _ladder(plan)))
    while not (grid.blocks or run.interrupted):
        further = aim.next_blocks(run.rows_for(target))
        if further is None or not run.try_blocks(further):
            break
    recommended, reason = aim.recommend(run.rows_for(target))
    return OperatingCharacteristics(
        rows=tuple(sorted(run.rows, key=lambda row: row.blocks)),
        unit=scale.unit,
        margin=scale.margin,
        target=target,
        own_blocks=plan.design.blocks,
        recommended_blocks=recommended,
        reason=reason,
        replicates=run.finished,
        asked=settings.replicates,
        seed=settings.seed,
        method=plan.analysis.method,
        interrupted=run.interrupted,
        notes=_notes(truth, run.interrupted),
    )


def effects_and_target(grid: Grid, scale: GainScale) -> tuple[tuple[float, ...], float]:
    """The true gains of the table, and the one the recommendation is for, which is among them.

    A single gain other than zero is the target itself; otherwise it is twice the margin.
    """
    step = yardstick(scale)
    target = grid.target
    if target is None:
        asked = set(grid.effects) - {0.0}
        target = asked.pop() if len(asked) == 1 else 2 * step
    effects = grid.effects or tuple(k * step for k in range(4))
    return tuple(sorted({*effects, target})), target


def yardstick(scale: GainScale) -> float:
    """The margin; the typical error itself where no margin is declared."""
    return scale.outside(1.0) if scale.margin is None else scale.margin


@dataclass
class _Run:
    """Cells simulated so far, as rows."""

    scenario: Scenario
    settings: SimulationSettings
    progress: Watch | None
    rows: list[GridRow] = field(default_factory=list)
    finished: int = 0
    interrupted: bool = False

    def simulate(self, cells: list[Cell]) -> None:
        """Simulate cells; an interrupt keeps what is done of each."""
        tallies, self.interrupted = run_cells(cells, self.settings, progress=self.progress)
        done = [(c, t) for c, t in zip(cells, tallies, strict=True) if t is not None]
        for cell, tally in done:
            self.rows += self.scenario.rows(cell, tally)
        if done:
            fewest = min(tally.trials for _, tally in done)
            self.finished = min(fewest, self.finished or fewest)

    def try_blocks(self, blocks: int) -> bool:
        """Simulate one more number of blocks; False where the scheme cannot hold it."""
        try:
            cell = self.scenario.cell(blocks)
        except TrialkitError:
            return False
        self.simulate([cell])
        return True

    def rows_for(self, target: float) -> dict[int, GridRow]:
        """The target's rows by number of blocks."""
        return {row.blocks: row for row in self.rows if row.true_effect == target}


def _ladder(plan: Plan) -> tuple[int, ...]:
    own = plan.design.blocks
    return tuple(sorted({b for k in _LADDER if (b := own + k) >= 2} | {own}))


def _cells(scenario: Scenario, blocks: tuple[int, ...]) -> list[Cell]:
    cells: list[Cell] = []
    problems: list[Problem] = []
    for number in sorted(set(blocks)):
        try:
            cells.append(scenario.cell(number))
        except TrialkitError as error:
            problems += error.problems
    if not cells:
        raise RequestError(dict.fromkeys(problems))
    return cells


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
