"""Who does the chunks: this process, several processes of this machine, or a Dask cluster.

Chunks are independent and their counts are whole numbers, so it does not matter who does which
one, in what order, or whether a lost one is done again elsewhere.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from trialkit.planning.chunks import Cell, chunk_sizes, run_chunk
from trialkit.planning.grids import SimulationSettings
from trialkit.planning.verdicts import Tally

Task = tuple[int, int, int]
"""Place of the cell in the list, number of the chunk, trials in it."""

MB_PER_CHUNK = 64
"""Measured peak of one chunk of 4096 trials of up to 48 periods, with room to spare."""

_HELPINGS = 4
"""Batches per worker: enough to keep all of them busy to the end."""
_MOST_CHUNKS = 32
"""Chunks in a batch of this machine at most (about a second): an interrupt loses no more."""
_MOST_BATCHES = 2_000
"""Batches sent to a cluster at most: its scheduler spends about a millisecond on each."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: trials done and asked, and the seconds it will probably still take."""

    done: int
    total: int
    seconds_left: float


Watch = Callable[[Progress], None]


def run_cells(
    cells: list[Cell], settings: SimulationSettings, *, progress: Watch | None = None
) -> tuple[list[Tally | None], bool]:
    """Run all chunks of all cells; return one tally per cell, and whether it was interrupted.

    An interrupt (Ctrl-C) keeps every finished chunk. Chunks are handed out in rounds over the
    cells, so that an interrupted run knows about the same of each.
    """
    sizes = chunk_sizes(settings.replicates)
    tasks = [(place, i, n) for i, n in enumerate(sizes) for place in range(len(cells))]
    tallies: list[Tally | None] = [None] * len(cells)
    watch = Clock(sum(n for *_, n in tasks), progress)
    try:
        for place, tally in _results(cells, tasks, settings):
            before = tallies[place]
            tallies[place] = tally if before is None else before + tally
            watch.tick(tally.trials)
    except KeyboardInterrupt:
        return tallies, True
    return tallies, False


def _results(
    cells: list[Cell], tasks: list[Task], settings: SimulationSettings
) -> Iterator[tuple[int, Tally]]:
    batches = list(_batches(tasks, settings))
    if settings.scheduler is not None:
        from trialkit.planning.cluster import results_from_cluster

        return results_from_cluster(cells, batches, settings)
    if settings.workers > 1 and len(batches) > 1:
        return _results_from_processes(cells, batches, settings)
    return (result for batch in batches for result in run_batch(cells, batch, settings.seed))


def run_batch(cells: list[Cell], batch: list[Task], seed: int) -> list[tuple[int, Tally]]:
    """Run some chunks one after the other; return one tally per cell among them."""
    tallies: dict[int, Tally] = {}
    for place, i, n in batch:
        tally = run_chunk(cells[place], seed, i, n)
        tallies[place] = tallies[place] + tally if place in tallies else tally
    return list(tallies.items())


def _batches(tasks: list[Task], settings: SimulationSettings) -> Iterator[list[Task]]:
    size = settings.batch or _batch_size(len(tasks), settings)
    for start in range(0, len(tasks), size):
        yield tasks[start : start + size]


def _batch_size(tasks: int, settings: SimulationSettings) -> int:
    if settings.scheduler is not None:
        return -(-tasks // _MOST_BATCHES)
    if settings.workers > 1:
        return min(max(1, tasks // (_HELPINGS * settings.workers)), _MOST_CHUNKS)
    return 1


def _results_from_processes(
    cells: list[Cell], batches: list[list[Task]], settings: SimulationSettings
) -> Iterator[tuple[int, Tally]]:
    from joblib import Parallel, delayed

    workers = min(settings.workers, max(1, settings.memory_mb // MB_PER_CHUNK))
    parallel = Parallel(n_jobs=workers, return_as="generator_unordered", batch_size=1)
    done: Iterable[list[tuple[int, Tally]]] = parallel(
        delayed(run_batch)(cells, batch, settings.seed) for batch in batches
    )
    for results in done:
        yield from results


class Clock:
    """Tells a watcher how far the run is."""

    def __init__(self, total: int, watch: Watch | None) -> None:
        self._total, self._watch, self._done = total, watch, 0
        self._start = time.perf_counter()

    def tick(self, trials: int) -> None:
        """Count trials as done and tell the watcher."""
        self._done += trials
        if self._watch is not None:
            passed = time.perf_counter() - self._start
            left = passed / self._done * (self._total - self._done)
            self._watch(Progress(self._done, self._total, left))
