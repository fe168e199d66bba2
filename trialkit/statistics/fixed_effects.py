"""Columns of the model of one trial: conditions, place in the block, trend, carryover.

The model is y = mean + condition + place in block + trend x time + carryover + block + error.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.observations import Observations
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.periods import period_of

Array = NDArray[np.float64]

# A column that keeps less than this share of its length after the columns before it are taken
# out is a linear combination of them; rounding leaves about 1e-15.
_DEPENDENT = 1e-9


@dataclass(frozen=True, slots=True)
class Terms:
    """Which nuisance effects the model holds beside condition and block."""

    period_effect: bool = False
    trend: bool = False
    carryover: bool = False


@dataclass(frozen=True, eq=False)
class Columns:
    """Named columns of a model; ``matrix`` has shape (n, p) with one name per column."""

    matrix: Array
    names: tuple[str, ...]
    levels: tuple[str, ...]

    def contrast(self, condition: str, versus: str) -> Array:
        """Weights (p,) that turn the coefficients into condition minus versus."""
        weights = np.zeros(len(self.names))
        for level, sign in ((condition, 1.0), (versus, -1.0)):
            if level != self.levels[0]:
                weights[self.names.index(_condition_name(level))] += sign
        return weights

    def joint(self) -> Array:
        """Weights (k - 1, p) of the hypothesis that all k conditions are equal."""
        return np.array([self.contrast(level, self.levels[0]) for level in self.levels[1:]])


def condition_columns(obs: Observations) -> Columns:
    """One indicator per condition other than the reference."""
    levels = obs.levels
    matrix = np.array([obs.condition == level for level in levels[1:]], dtype=float).T
    return Columns(
        matrix.reshape(obs.n, len(levels) - 1), tuple(map(_condition_name, levels[1:])), levels
    )


def nuisance_columns(obs: Observations, terms: Terms) -> Columns:
    """Columns of the effects that are in the model but are not the question.

    Raises
    ------
    RequestError
        When a term needs the place in the block or the time and the table has none.
    """
    _check_available(obs, terms)
    parts: list[tuple[str, Array]] = []
    if terms.period_effect and obs.position is not None:
        position = place_in_block(obs.position, obs.block)
        places = np.unique(position)[1:]
        parts += [(f"place {place:g} in block", (position == place) * 1.0) for place in places]
    if terms.trend and obs.time is not None:
        parts.append(("trend", obs.time - obs.time.mean()))
    if terms.carryover:
        parts += _carryover(obs)
    matrix = np.array([column for _, column in parts]).reshape(len(parts), obs.n).T
    return Columns(matrix, tuple(name for name, _ in parts), obs.levels)


def assemble(nuisance: Columns, conditions: Columns, start: Array) -> tuple[Columns, list[str]]:
    """Join nuisance and condition columns behind the ``start`` columns (mean, or blocks).

    A nuisance column that the ones before it already carry is left out and named in the second
    result (place in block and trend are one column in consecutive pairs).

    Raises
    ------
    UnanswerableError
        When a condition cannot be told apart from the nuisance effects.
    """
    kept, names, left_out = start, [f"start {i + 1}" for i in range(start.shape[1])], []
    for name, column in zip(nuisance.names, nuisance.matrix.T, strict=True):
        if _adds(kept, column):
            kept, names = np.column_stack([kept, column]), [*names, name]
        else:
            left_out.append(name)
    aliased = []
    for name, column in zip(conditions.names, conditions.matrix.T, strict=True):
        if not _adds(kept, column):
            aliased.append(name)
        kept, names = np.column_stack([kept, column]), [*names, name]
    if aliased:
        raise UnanswerableError([_aliased(name, nuisance) for name in aliased])
    return Columns(kept, tuple(names), conditions.levels), left_out


def place_in_block(position: Array, block: NDArray[np.str_]) -> Array:
    """Places 1, 2, ... in the block, also from period numbers that run through the trial.

    Numbers that come back in another block are places already. Running numbers can be turned into
    places when every block covers the same number of periods.

    Raises
    ------
    RequestError
        When the numbers are neither.

    Examples
    --------
    >>> place_in_block(np.array([1.0, 2.0, 4.0, 5.0, 6.0]), np.array(list("aabcc"))).tolist()
    [1.0, 2.0, 2.0, 1.0, 2.0]
    """
    size = int(np.unique(block, return_counts=True)[1].max())
    once = len(set(zip(position.tolist(), block.tolist(), strict=True)))
    if np.unique(position).size <= size or once > np.unique(position).size:
        return position
    turn = (position - 1) // size
    same_turn = set(zip(block.tolist(), turn.tolist(), strict=True))
    if len(same_turn) != np.unique(block).size or np.any(position % 1):
        raise RequestError(
            Problem(
                where="period",
                found=f"{np.unique(position).size} different places in blocks of at most {size}",
                wrong="a period effect belongs to the places inside a block.",
                fix="give the place in the block (1, 2, ...); for a drift through the whole trial "
                "use the trend.",
            )
        )
    return np.asarray((position - 1) % size + 1)


def block_indicators(block: NDArray[np.str_]) -> Array:
    """Indicator matrix (n, blocks)."""
    return np.asarray(block[:, None] == np.unique(block)[None, :], dtype=float)


def previous_condition(obs: Observations) -> list[str | None]:
    """Condition of the period measured before each row; None for a first one.

    Along the trial when the time is known, otherwise within the block. Measurements of one period
    (`period_of`) have one and the same period before them.
    """
    place = obs.time if obs.time is not None else obs.position
    if place is None:
        raise RequestError(_needs("carryover", "time or place in block"))
    period = period_of(obs)
    first = np.unique(period, return_index=True)[1]
    time, block = place[first], obs.block[first]
    order = np.argsort(time) if obs.time is not None else np.lexsort((time, block))
    before: list[str | None] = [None] * first.size
    for earlier, later in pairwise(order):
        if obs.time is not None or block[earlier] == block[later]:
            before[later] = str(obs.condition[first[earlier]])
    return [before[p] for p in period]


def _carryover(obs: Observations) -> list[tuple[str, Array]]:
    # What a condition leaves behind, relative to what the reference leaves; a first period counts
    # as one after the reference, since the mean takes up the rest.
    before = previous_condition(obs)
    return [
        (f"carryover of {level}", np.array([name == level for name in before], dtype=float))
        for level in obs.levels[1:]
    ]


def _adds(kept: Array, column: Array) -> bool:
    residual = column - kept @ np.linalg.lstsq(kept, column, rcond=None)[0]
    length = float(np.linalg.norm(column))
    return length > 0 and float(np.linalg.norm(residual)) > _DEPENDENT * length


def _condition_name(level: str) -> str:
    return f"condition {level}"


def _check_available(obs: Observations, terms: Terms) -> None:
    problems = []
    if terms.period_effect and obs.position is None:
        problems.append(_needs("period effect", "place in block"))
    if terms.trend and obs.time is None:
        problems.append(_needs("trend", "time"))
    if terms.carryover and obs.time is None and obs.position is None:
        problems.append(_needs("carryover", "time or place in block"))
    if problems:
        raise RequestError(problems)


def _needs(term: str, what: str) -> Problem:
    return Problem(
        where=term,
        found=f"no {what} in the table",
        wrong=f"the {term} cannot be modelled without it.",
        fix=f"name the column that holds the {what}, or leave the {term} out.",
    )


def _aliased(name: str, nuisance: Columns) -> Problem:
    others = ", ".join(nuisance.names) or "the blocks"
    return Problem(
        where=name,
        found="the same pattern as other effects of the model",
        wrong=f"its effect cannot be told apart from {others}: the orders do not vary enough.",
        fix="leave that effect out of the model, or vary the order of conditions between blocks.",
    )
