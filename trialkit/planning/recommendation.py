"""How many blocks: which number to try next, and the recommendation in one sentence."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.design.fit import blocks_step
from trialkit.domain.plans import Plan
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import Grid, GridRow

MOST_BLOCKS = 48
"""The search goes no further: few athletes follow for longer, and every step costs seconds."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What a number of blocks has to reach: a chance for the target, or a half-width."""

    plan: Plan
    scale: GainScale
    grid: Grid
    target: float

    def reached(self, row: GridRow) -> bool:
        """Whether the row of the target is good enough."""
        if self.grid.half_width is not None:
            return row.ci_halfwidth <= self.grid.half_width
        return self.chance(row) >= self.grid.wanted

    def chance(self, row: GridRow) -> float:
        """Chance that the target is settled (shown, without a margin)."""
        return row.power if self.scale.margin is None else row.settled

    def next_blocks(self, rows: dict[int, GridRow]) -> int | None:
        """The number of blocks to try next on the way to the fewest; None when it is found."""
        step = blocks_step(self.plan)
        enough = [b for b, row in rows.items() if self.reached(row)]
        if not enough:
            further = min(2 * max(rows), MOST_BLOCKS) // step * step
            return further if further > max(rows) else None
        best = min(enough)
        below = max((b for b in rows if b < best), default=step if step > 1 else 1)
        middle = (below + best) // 2 // step * step
        return middle if below < middle < best else None

    def recommend(self, rows: dict[int, GridRow]) -> tuple[int | None, str]:
        """The fewest blocks tried that reach the aim, and why, in one sentence."""
        if not rows:
            return None, "The run was stopped before any figure was known."
        enough = [b for b, row in rows.items() if self.reached(row)]
        if not enough:
            return None, self._none_enough(max(rows), rows[max(rows)])
        best = min(enough)
        fewer = max((b for b in rows if b < best), default=None)
        if self.grid.half_width is not None:
            return best, self._precise(best, fewer, rows)
        reason = f"{self._blocks(best)}: {self._share(rows[best])} chance to {self._to_settle()}"
        if fewer is not None:
            reason += f"; {self._blocks(fewer)} would {self._does} {self._share(rows[fewer])}"
        return best, reason + "."

    def _none_enough(self, most: int, row: GridRow) -> str:
        if self.grid.half_width is not None:
            return (
                f"No number tried is enough: with {self._blocks(most)} half of all trials have an "
                f"interval of ± {row.ci_halfwidth:.3g} {self.scale.unit} or less, and "
                f"± {self.grid.half_width:.3g} {self.scale.unit} is wanted."
            )
        return (
            f"No number tried is enough: {self._blocks(most)} have a chance of {self._share(row)} "
            f"to {self._to_settle()}, and {as_asked(self.grid.wanted)} is wanted."
        )

    def _precise(self, best: int, fewer: int | None, rows: dict[int, GridRow]) -> str:
        unit = self.scale.unit
        reason = (
            f"{self._blocks(best)}: half of all trials have an interval of "
            f"± {rows[best].ci_halfwidth:.3g} {unit} or less"
        )
        if fewer is not None:
            width = rows[fewer].ci_halfwidth
            reason += f"; with {self._blocks(fewer)} it would be ± {width:.3g} {unit}"
        return reason + "."

    @property
    def _does(self) -> str:
        return "show" if self.scale.margin is None else "settle"

    def _to_settle(self) -> str:
        margin, unit = self.scale.margin, self.scale.unit
        kind = "gain" if self.target >= 0 else "loss"
        gain = f"{self._does} a true {kind} of {abs(self.target):.3g} {unit}"
        if margin is None:
            return f"{gain} ({_times(self.target / self.scale.outside(1.0))} the typical error)"
        return f"{gain} ({_times(self.target / margin)} the {margin:.3g} {unit} that matters)"

    def _blocks(self, number: int) -> str:
        return f"{number} {block_word(self.plan, number)}"

    def _share(self, row: GridRow) -> str:
        """A chance in percent, told so that it shows on which side of the wanted one it lies."""
        chance, wanted = self.chance(row), self.grid.wanted
        if (round(chance, 2) >= wanted) == (chance >= wanted):
            return percent(chance)
        return f"just {'over' if chance >= wanted else 'under'} {as_asked(wanted)}"


def _times(ratio: float) -> str:
    ratio = abs(ratio)
    return {1.0: "just", 2.0: "twice"}.get(round(ratio, 3), f"{ratio:.3g} times")


def block_word(plan: Plan, number: int) -> str:
    """Blocks of two conditions are pairs."""
    word = "pair" if len(plan.conditions) == plan.design.block_size == 2 else "block"
    return word if number == 1 else word + "s"


def percent(share: float, decimals: int = 0) -> str:
    """A chance in percent; never rounded to certainty.

    Examples
    --------
    >>> percent(0.807), percent(0.7996, 1), percent(0.0004), percent(0.9999), percent(0)
    ('81 %', '80.0 %', '<1 %', '>99 %', '0 %')
    """
    if decimals == 0 and 0 < share < 0.005:
        return "<1 %"
    if decimals == 0 and 0.995 < share < 1:
        return ">99 %"
    return f"{100 * share:.{decimals}f} %"


def as_asked(share: float) -> str:
    """A chance somebody asked for, in percent with the digits it was given with.

    Examples
    --------
    >>> as_asked(0.8), as_asked(0.999)
    ('80 %', '99.9 %')
    """
    return f"{100 * share:.6g} %"
