"""How fast trials are simulated and analysed, beside NumPy drawing the same normal numbers.

Run from the root of a checkout: ``python tests/benchmarks/bench_planning.py``. One process, one
run, the linear algebra held to one thread. Each figure is the best of several rounds that alternate
with the draw they are compared with, in processor time (so that other work on the machine does not
count). Exit status 1 when a promise is not kept.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy is imported

import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.phases import FixedOrder
from trialkit.design.reference_sets import ReferenceSet
from trialkit.planning.chunks import Cell, count, run_chunk, stream
from trialkit.planning.grids import CHUNK, SimulationSettings
from trialkit.planning.looks import Stage, course_of
from trialkit.planning.methods import Declared
from trialkit.planning.model_columns import Terms
from trialkit.planning.runners import run_cells
from trialkit.planning.trials import Truth, simulate

PAIRS, TRIALS, ROUNDS = 8, 100_000, 15
CHUNKS = -(-TRIALS // CHUNK)
NAMES = ("usual", "new")
MISSED = (3, 10)


def main() -> int:
    any_order = ShuffledBlocks(NAMES, 2 * PAIRS)
    drawn = FixedOrder(NAMES, 2 * PAIRS, order=(0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 0, 1, 1, 0, 1, 0))
    print(f"{TRIALS:,} trials of {PAIRS} pairs with block variance: simulate, REML, Kenward-Roger,")
    print("verdict for one true effect; times the draw of the same normal numbers\n")
    kept = [
        compare("complete pairs, order drawn anew", cell(any_order), 2),
        compare("one drawn order, trend term", cell(drawn, trend=True), 4),
        compare("one drawn order, two periods missed", cell(drawn), 6, missed=MISSED),
        compare("the same with a trend term", cell(drawn, trend=True), 6, missed=MISSED),
        compare("one drawn order, serial correlation", cell(drawn, method="serial"), 40),
        compare("order drawn anew, serial correlation", cell(any_order, method="serial"), None),
        compare("order drawn anew, trend term", cell(any_order, trend=True), None),
        compare("order drawn anew, 12 % missed", cell(any_order, missing=0.12), None),
        compare("paired t, order drawn anew", cell(any_order, method="paired"), None),
        statsmodels_loop(cell(any_order)),
    ]
    workers(any_order)
    cluster(any_order)
    return 0 if all(kept) else 1


def cell(
    possible: ReferenceSet, *, trend: bool = False, missing: float = 0.0, method: str = "mixed"
) -> Cell:
    return Cell(
        key=0,
        blocks=PAIRS,
        block_size=2,
        possible=possible,
        reference=0,
        truth=Truth(missing=missing),
        declaration=Declared(method, 0.95, Terms(trend=trend), None),
        stages=(Stage(PAIRS, 0.95),),
        effects=(1.0,),
        margin=1.0,
    )


def compare(name: str, what: Cell, most: float | None, *, missed: tuple[int, ...] = ()) -> bool:
    periods = what.possible.length - len(missed)
    floor = lambda: draw(periods)  # noqa: E731 - two things to time side by side
    work = lambda: run(what, missed)  # noqa: E731
    ratio, seconds = against(floor, work)
    kept = most is None or ratio <= most
    promise = "" if most is None else f"at most {most}: {'kept' if kept else 'NOT KEPT'}"
    print(f"{name:38s} {TRIALS / seconds / 1e6:5.2f} M/s  {ratio:6.2f} x the draw  {promise}")
    return kept


def draw(periods: int) -> None:
    numbers = np.empty((periods, CHUNK))
    rng = np.random.default_rng(1)
    for _ in range(CHUNKS):
        rng.standard_normal(out=numbers)


def run(what: Cell, missed: tuple[int, ...]) -> None:
    """All chunks; with ``missed`` every trial lacks the same periods."""
    for chunk in range(CHUNKS):
        if not missed:
            run_chunk(what, 1, chunk, CHUNK)
            continue
        trials = simulate(
            what.possible,
            what.truth,
            block_size=2,
            trials=CHUNK,
            rng=stream(1, what.key, chunk),
        )
        present = np.ones(trials.y.shape, dtype=bool)
        present[list(missed)] = False
        trials = replace(trials, present=present)
        count(course_of(trials, what.declaration, what.stages), what)


def against(floor: Callable[[], None], work: Callable[[], None]) -> tuple[float, float]:
    work()
    floors, works = [], []
    for _ in range(ROUNDS):
        floors.append(timed(floor))
        works.append(timed(work))
    return min(works) / min(floors), min(works)


def timed(call: Callable[[], object]) -> float:
    start = time.process_time()
    call()
    return time.process_time() - start


def statsmodels_loop(what: Cell) -> bool:
    """A loop over statsmodels' mixed model on the same trials, without Kenward-Roger."""
    import statsmodels.api as sm

    fits = 60
    trials = simulate(
        what.possible, what.truth, block_size=2, trials=fits, rng=np.random.default_rng(1)
    )
    block = np.repeat(np.arange(PAIRS), 2)

    def loop() -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for trial in range(fits):
                X = np.column_stack([np.ones(2 * PAIRS), trials.codes[:, trial]])
                sm.MixedLM(trials.y[:, trial], X, groups=block).fit(reml=True)

    per_fit = timed(loop) / fits
    own = timed(lambda: run(what, ())) / (CHUNKS * CHUNK)
    ratio = per_fit / own
    kept = ratio >= 1000
    print(
        f"{'statsmodels MixedLM, one by one':38s} {1 / per_fit:5.0f} fits/s; {ratio:,.0f} times "
        f"slower  at least 1,000: {'kept' if kept else 'NOT KEPT'}"
    )
    return kept


def workers(possible: ReferenceSet) -> None:
    """Two processes against one on a run of a few seconds."""
    what = cell(possible, trend=True, missing=0.1)
    replicates = 75 * CHUNK
    run_cells([what], SimulationSettings(replicates=4 * CHUNK, workers=2))  # start them
    one, two = (elapsed(SimulationSettings(replicates=replicates, workers=n), what) for n in (1, 2))
    print(
        f"{'two workers against one':38s} {one / two:.2f} times faster ({one:.1f} s and "
        f"{two:.1f} s for {replicates:,} trials, {one / 75 * 1e3:.1f} ms a chunk)"
    )


def cluster(possible: ReferenceSet) -> None:
    """What a Dask scheduler with two worker processes costs beside two plain processes."""
    from distributed import LocalCluster

    what = cell(possible, method="paired")
    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as dask:
        address = dask.scheduler_address
        tiny = replace(what, blocks=2, possible=ShuffledBlocks(NAMES, 4), stages=(Stage(2, 0.95),))
        settings = SimulationSettings(replicates=100 * 500, scheduler=address, batch=1)
        elapsed(settings, tiny)
        count_of = 400
        many = SimulationSettings(replicates=count_of * CHUNK, scheduler=address, batch=1)
        few = SimulationSettings(
            replicates=count_of * CHUNK, scheduler=address, batch=count_of // 8
        )
        slow, fast = elapsed(many, tiny), elapsed(few, tiny)
    print(
        f"{'Dask scheduler, two workers':38s} {(slow - fast) / (count_of - 8) * 1e3:.1f} ms for "
        f"each further batch ({slow:.1f} s in {count_of} batches, {fast:.1f} s in 8)"
    )


def elapsed(settings: SimulationSettings, what: Cell) -> float:
    start = time.perf_counter()
    run_cells([what], settings)
    return time.perf_counter() - start


if __name__ == "__main__":
    sys.exit(main())
