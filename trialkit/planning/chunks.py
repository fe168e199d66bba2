"""One chunk of simulated trials: the unit of work, with its own random stream."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from trialkit.design.reference_sets import ReferenceSet
from trialkit.planning.grids import CHUNK
from trialkit.planning.looks import Course, Stage, course_of
from trialkit.planning.methods import Declared
from trialkit.planning.trials import Truth, simulate
from trialkit.planning.verdicts import NOT_SETTLED, ORDER, Tally, classify, count_widths

_KEPT_NUMBERS = 4_000_000


@dataclass(frozen=True, eq=False)
class Cell:
    """Everything needed to simulate one number of blocks; travels to workers as it is.

    ``effects`` and ``margin`` are in typical errors, positive being better; ``key`` makes the
    streams of different cells differ;
    ``stages`` are the declared looks, the end last.
    """

    key: int
    blocks: int
    block_size: int
    possible: ReferenceSet
    reference: int
    truth: Truth
    declaration: Declared
    stages: tuple[Stage, ...]
    effects: tuple[float, ...]
    margin: float | None


def stream(seed: int, cell: int, chunk: int) -> np.random.Generator:
    """The random stream of one chunk; it depends on nothing but these three numbers."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(cell, chunk)))


def chunk_sizes(replicates: int) -> list[int]:
    """Split replicates into full chunks and a last one with the rest."""
    full, rest = divmod(replicates, CHUNK)
    return [CHUNK] * full + ([rest] if rest else [])


def run_chunk(cell: Cell, seed: int, chunk: int, trials: int) -> Tally:
    """Simulate, analyse and count one chunk of a cell."""
    _keep_freed_memory()
    simulated = simulate(
        cell.possible,
        cell.truth,
        block_size=cell.block_size,
        trials=trials,
        rng=stream(seed, cell.key, chunk),
        reference=cell.reference,
    )
    return count(course_of(simulated, cell.declaration, cell.stages), cell)


@cache
def _keep_freed_memory() -> None:
    """Once per process: let the allocator keep what a chunk frees, for the next one.

    The C library of Linux hands freed memory back to the system above a limit that it raises to
    twice the largest block it has seen freed; without that every chunk pays for fresh pages.
    """
    np.empty(_KEPT_NUMBERS)


def count(course: Course, cell: Cell) -> Tally:
    """Count verdicts and rejections for each true effect of the cell."""
    verdicts = np.zeros((len(cell.effects), len(ORDER)), dtype=np.int64)
    rejected = np.zeros(len(cell.effects), dtype=np.int64)
    used = np.zeros(len(cell.effects), dtype=np.int64)
    for place, effect in enumerate(cell.effects):
        answers, blocks = course.ended(effect)
        rejected[place] = np.count_nonzero(answers.intervals.excludes_zero)
        used[place] = blocks.sum()
        if cell.margin is not None:
            codes = classify(answers.intervals, cell.margin)
            codes[~answers.verdict] = NOT_SETTLED
            verdicts[place] = np.bincount(codes, minlength=len(ORDER))
    return Tally(
        verdicts=verdicts,
        rejected=rejected,
        widths=count_widths(course.answers[-1].intervals.half_width),
        blocks_used=used,
        trials=course.answers[-1].verdict.size,
    )
