"""The outcome table of one trial as arrays: one row per measured period."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import Problem, RequestError


@dataclass(frozen=True, eq=False)
class Observations:
    """One outcome, one row per period that was measured; missing periods have no row.

    All arrays have shape (n,). ``value`` is on the scale of the analysis (logs already taken for
    a log outcome), finite. ``condition`` and ``block`` hold labels. ``position`` is the place in
    the block (1-based); ``time`` the place along the trial used for trend and serial correlation
    (period number or days); either may be None when unknown.
    """

    value: NDArray[np.float64]
    condition: NDArray[np.str_]
    block: NDArray[np.str_]
    reference: str
    position: NDArray[np.float64] | None = None
    time: NDArray[np.float64] | None = None
    name: str = "value"
    unit: str | None = None

    def __post_init__(self) -> None:
        problems = list(_problems(self))
        if problems:
            raise RequestError(problems)

    @property
    def n(self) -> int:
        """Number of measured periods."""
        return int(self.value.size)

    @property
    def levels(self) -> tuple[str, ...]:
        """Conditions present, the reference first, the others in order of their names."""
        others = sorted(set(self.condition.tolist()) - {self.reference})
        return (self.reference, *others)

    def keep(self, mask: NDArray[np.bool_]) -> Observations:
        """Return the rows where ``mask`` (n,) is true."""
        return replace(
            self,
            value=self.value[mask],
            condition=self.condition[mask],
            block=self.block[mask],
            position=None if self.position is None else self.position[mask],
            time=None if self.time is None else self.time[mask],
        )


def _problems(obs: Observations) -> list[Problem]:
    found = []
    columns = {
        "condition": obs.condition,
        "block": obs.block,
        "position": obs.position,
        "time": obs.time,
    }
    for name, array in columns.items():
        if array is not None and array.shape != obs.value.shape:
            found.append(
                Problem(
                    where=name,
                    found=f"{array.size} rows",
                    wrong=f"the outcome has {obs.value.size}.",
                    fix="give one entry per measured period.",
                )
            )
    for name, numbers in (("position", obs.position), ("time", obs.time)):
        gaps = 0 if numbers is None else int(np.sum(~np.isfinite(numbers)))
        if gaps:
            found.append(
                Problem(
                    where=name,
                    found=f"no number in {gaps} of {obs.value.size} periods",
                    wrong="a measured period has a place in its block and a time.",
                    fix="fill the column in, or do not name it.",
                )
            )
    if not np.all(np.isfinite(obs.value)):
        found.append(
            Problem(
                where=obs.name,
                found=f"{int(np.sum(~np.isfinite(obs.value)))} values that are not numbers",
                wrong="a missing period has no row here.",
                fix="leave the row out.",
            )
        )
    if obs.value.size and obs.reference not in obs.condition:
        found.append(
            Problem(
                where="reference",
                found=repr(obs.reference),
                wrong="no row has this condition.",
                fix="name one of " + ", ".join(sorted(set(obs.condition.tolist()))) + ".",
            )
        )
    return found
