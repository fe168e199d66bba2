"""One set of assumptions: cells to simulate by number of blocks, rows from their counts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

from trialkit.design.precision import precision_of
from trialkit.design.schemes import block_length, reference_set
from trialkit.domain.estimates import Verdict
from trialkit.domain.plans import Plan
from trialkit.planning.chunks import Cell
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import GridRow
from trialkit.planning.looks import stages_of
from trialkit.planning.methods import declared
from trialkit.planning.model_columns import Terms
from trialkit.planning.noncentral import t_power
from trialkit.planning.trials import Truth
from trialkit.planning.verdicts import ORDER, Tally, wrong_verdicts


@dataclass(frozen=True, eq=False)
class Scenario:
    """A plan under one truth, for some true gains (in the unit of ``scale``)."""

    plan: Plan
    scale: GainScale
    truth: Truth
    gains: tuple[float, ...]

    def cell(self, blocks: int) -> Cell:
        """What has to be simulated for so many blocks.

        Raises
        ------
        RequestError
            When so many blocks do not fit the scheme.
        """
        plan, scale = with_blocks(self.plan, blocks), self.scale
        return Cell(
            key=blocks,
            blocks=blocks,
            block_size=block_length(plan),
            possible=reference_set(plan),
            reference=plan.condition_names.index(plan.reference.name),
            truth=self.truth,
            declaration=declared(plan),
            stages=stages_of(plan, blocks),
            effects=tuple(scale.inside(gain) for gain in self.gains),
            margin=None if scale.margin is None else scale.inside(scale.margin),
        )

    def rows(self, cell: Cell, tally: Tally) -> list[GridRow]:
        """One row per true gain from the counts of a cell."""
        return [self._row(cell, tally, place) for place in range(len(self.gains))]

    def _row(self, cell: Cell, tally: Tally, place: int) -> GridRow:
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
            true_effect=self.gains[place],
            power=power,
            verdicts=verdicts,
            wrong=wrong,
            settled=settled,
            ci_halfwidth=self.scale.outside(tally.median_half_width),
            mc_error=max(sqrt(p * (1 - p) / n) for p in chances if 0 <= p <= 1),
            closed_form_power=self._closed_form(cell, effect),
            closed_form_exact=_is_exact(cell),
            mean_blocks=float(tally.blocks_used[place]) / n,
        )

    def _closed_form(self, cell: Cell, effect: float) -> float | None:
        """Power by the noncentral t at best: all periods held, noise just the typical error."""
        precision = precision_of(with_blocks(self.plan, cell.blocks))
        if precision.df <= 0:
            return None
        return t_power(effect / sqrt(precision.variance), precision.df, level=cell.stages[-1].level)


def with_blocks(plan: Plan, blocks: int) -> Plan:
    """Return the plan with another number of blocks."""
    return replace(plan, design=replace(plan.design, blocks=blocks))


def _is_exact(cell: Cell) -> bool:
    """Whether the closed form is what the simulation must give: complete pairs, known noise."""
    truth, declaration = cell.truth, cell.declaration
    return (
        cell.block_size == len(cell.possible.conditions) == 2
        and declaration.method in {"paired", "auto"}
        and declaration.terms == Terms()
        and truth == Truth(block_sd=truth.block_sd)
        and len(cell.stages) == 1
        and (cell.blocks >= 4 or declaration.borrowed_df is None or declaration.method == "paired")
        and cell.blocks >= 2
    )
