"""Calibration: how often each method is wrong when there is nothing to find.

Run from the root of a checkout: ``python tools/calibrate.py`` (about two minutes on one core;
``--replicates 500`` for a quick look). Writes ``reports/calibration/table.csv`` and
``README.md``. Every figure comes from simulated trials of one athlete, pairs in random order;
the interval of every method moves with the true effect exactly, so coverage is one minus the
error rate shown. The same seed gives the same table on every run.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from math import sqrt
from pathlib import Path

import numpy as np
from calibrate_mixed import fit_unconstrained, fixed_at_zero
from calibrate_readme import readme
from calibrate_serial import VARIANTS, Grid, tabulate
from numpy.typing import NDArray
from scipy import stats

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.reference_sets import ReferenceSet
from trialkit.design.relabelled import RelabelledTables, incomplete_table
from trialkit.planning.fits import Fits, Intervals
from trialkit.planning.fixed_blocks import fit_fixed_blocks
from trialkit.planning.flips import flip_intervals
from trialkit.planning.methods import Answers, Declared, analyse
from trialkit.planning.mixed_blocks import fit_mixed_blocks
from trialkit.planning.model_columns import Terms
from trialkit.planning.trials import Trials, Truth, simulate
from trialkit.planning.verdicts import ORDER, classify, wrong_verdicts

SEED = 20261125
# Orders drawn afresh for the serial models, whose tables are made per order.
ORDERS = 100
OF_PAIRS = (
    "sign flips",
    *VARIANTS,
    "phases, serial",
    "blocks ignored, two-sample t",
    "phases, two-sample t",
    "fixed order AB, paired t",
)
# The smallest worthwhile change of the verdict columns, in typical errors.
MARGIN = 1.0
Z95 = float(stats.norm.isf(0.025))


@dataclass(frozen=True, slots=True)
class Cell:
    """One situation; SDs and drift in units of the noise SD, drift per period.

    With three conditions in blocks of two every couple is in as many blocks as another.
    """

    blocks: int
    block_sd: float = 1.0
    missing: float = 0.0
    drift: float = 0.0
    phi: float = 0.0
    tails: str = "normal"
    conditions: int = 2
    block_size: int = 2

    @property
    def pairs(self) -> bool:
        """Whether blocks are pairs of two conditions."""
        return self.conditions == self.block_size == 2

    def order(self) -> ReferenceSet:
        """The scheme that draws the order."""
        names = ("reference", "new", "other")[: self.conditions]
        length = self.blocks * self.block_size
        if self.conditions == self.block_size:
            return ShuffledBlocks(names, length)
        table = incomplete_table(self.conditions, self.block_size)
        if table is None:
            raise ValueError(f"no balanced table of {self}")
        return RelabelledTables(names, length, table=table, shuffled=True)

    def truth(self) -> Truth:
        """The same in the words of the simulation."""
        return Truth(
            block_sd=self.block_sd,
            drift=self.drift,
            phi=self.phi,
            missing=self.missing,
            tail_df=3.0 if self.tails == "t3" else None,
        )


def cells() -> list[Cell]:
    """The grid: 110 situations."""
    many, few = (3, 4, 6, 8, 12), (4, 6, 8, 12)
    found = [Cell(b, sd, m) for b in many for sd in (0.0, 1.0, 3.0) for m in (0.0, 0.125, 0.25)]
    found += [Cell(b, missing=m, drift=0.5) for b in few for m in (0.0, 0.25)]
    found += [Cell(b, missing=m, phi=phi) for b in few for m in (0.0, 0.25) for phi in (0.3, 0.6)]
    found += [Cell(b, 0.0, phi=phi) for b in few for phi in (0.3, 0.6)]
    found += [Cell(b, missing=m, tails="t3") for b in few for m in (0.0, 0.25)]
    found += [Cell(b, drift=0.5, phi=0.6) for b in few]
    found += [Cell(b, missing=0.25, drift=0.5, phi=0.6, tails="t3") for b in few[1:]]
    triples = [(b, sd, m) for b in (3, 4, 6) for sd in (0.0, 1.0) for m in (0.0, 0.2)]
    found += [Cell(b, sd, m, conditions=3, block_size=3) for b, sd, m in triples]
    found += [Cell(b, sd, conditions=3, block_size=2) for b in (3, 6, 12) for sd in (0.0, 1.0)]
    return sorted(found, key=lambda cell: cell.blocks)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=10_000)
    parser.add_argument("--out", type=Path, default=Path("reports/calibration"))
    options = parser.parse_args()
    begin = time.monotonic()
    rows = []
    for blocks in sorted({cell.blocks for cell in cells()}):
        tables = Tables.draw(blocks)
        for place, cell in enumerate(cells()):
            if cell.blocks == blocks:
                rng = np.random.default_rng([SEED, place])
                rows.append(row_of(cell, tables, options.replicates, rng))
                print(f"{time.monotonic() - begin:6.0f} s  {cell}", file=sys.stderr)
    options.out.mkdir(parents=True, exist_ok=True)
    with (options.out / "table.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    text = readme(rows, replicates=options.replicates, seed=SEED, margin=MARGIN)
    (options.out / "README.md").write_text(text, encoding="utf-8")
    return 0


@dataclass(frozen=True, eq=False)
class Tables:
    """Tables of the serial models for some random orders of one number of pairs."""

    orders: NDArray[np.int8]
    plain: tuple[Grid, ...]
    with_block: tuple[Grid, ...]
    phases: Grid

    @classmethod
    def draw(cls, blocks: int) -> Tables:
        """Draw the orders and fill their tables."""
        rng = np.random.default_rng([SEED, 1000 + blocks])
        first = rng.integers(0, 2, size=(ORDERS, blocks))
        orders = np.stack([first, 1 - first], axis=2).reshape(ORDERS, -1).astype(np.int8)
        return cls(
            orders,
            tuple(tabulate(order, with_block=False) for order in orders),
            tuple(tabulate(order, with_block=True) for order in orders),
            tabulate(np.repeat([0, 1], blocks), with_block=False),
        )


def row_of(
    cell: Cell, tables: Tables, replicates: int, rng: np.random.Generator
) -> dict[str, object]:
    """Error rates of one situation by method, with the Monte-Carlo error of a rate of 5 %."""
    trials = simulate(
        cell.order(), cell.truth(), block_size=cell.block_size, trials=replicates, rng=rng
    )
    rates: dict[str, float] = {}
    answers = analyse(trials, Declared("auto", 0.95, Terms(), None))
    answered = np.isfinite(answers.intervals.half_width)
    rates["default"] = rate(answers.intervals.excludes_zero, answered)
    rates["default, trials with a verdict"] = rate(
        answers.intervals.excludes_zero, answered & answers.verdict
    )
    rates["half-width of the default"] = float(np.median(answers.intervals.half_width[answered]))
    rates["share with a verdict"] = rate(answers.verdict)
    rates |= mixed_rates(trials, answers)
    paired = fit_fixed_blocks(trials, Terms())
    rates["paired t"] = rate(excludes_zero(paired), paired.df > 0)
    rates |= dict.fromkeys(OF_PAIRS, float("nan"))
    if cell.pairs:
        rates |= dict(pair_rates(cell, trials, tables))
    rates |= verdict_rates(answers)
    allowed = 4 * sqrt(0.05 * 0.95 / replicates)
    return {
        **asdict(cell),
        "answered": f"{rate(answered):.4f}",
        **{name: f"{value:.4f}" for name, value in rates.items()},
        "mc_error_at_5_percent": f"{sqrt(0.05 * 0.95 / replicates):.4f}",
        "default_calibrated": calibrated(rates["default"], allowed),
        "default_at_most_5_percent": rates["default"] <= 0.05 + allowed,
        "replicates": replicates,
    }


def mixed_rates(trials: Trials, answers: Answers) -> dict[str, float]:
    """Error rates of the mixed model in several guises, and how much wider the default is."""
    plain = fit_mixed_blocks(trials, Terms())
    own = plain.df > 0
    guises = {
        "mixed, Kenward-Roger": plain,
        "mixed, block variance may be negative": fit_unconstrained(trials),
        "mixed, fixed blocks at zero": fixed_at_zero(trials, plain),
    }
    rates = {name: rate(excludes_zero(fits), own) for name, fits in guises.items()}
    rates["mixed, Wald z"] = rate(np.abs(plain.estimate) > Z95 * plain.se)
    narrow = np.median(plain.half_width(0.95)[own])
    widths = {name: fits.half_width(0.95) for name, fits in guises.items()}
    widths["default"] = answers.intervals.half_width
    wider = {f"width, {name}": float(np.median(w[own]) / narrow) for name, w in widths.items()}
    return rates | wider


def pair_rates(cell: Cell, trials: Trials, tables: Tables) -> Iterator[tuple[str, float]]:
    """Error rates of what is worked out for pairs only."""
    yield "sign flips", rate(flip_intervals(trials, 0.95).excludes_zero)
    yield from serial_rates(trials, tables)
    yield "blocks ignored, two-sample t", rate(two_sample(trials, trials.codes))
    phases = np.repeat([0, 1], cell.blocks)[:, None].astype(np.int8)
    yield "phases, two-sample t", rate(two_sample(trials, phases))
    fixed = np.tile([0, 1], cell.blocks)[:, None].astype(np.int8)
    always_first = fit_fixed_blocks(ordered(trials, fixed), Terms())
    yield "fixed order AB, paired t", rate(excludes_zero(always_first))


def calibrated(error: float, allowed: float) -> bool:
    """Whether an error rate is 5 % within four Monte-Carlo errors."""
    return abs(error - 0.05) <= allowed


def rate(wrong: NDArray[np.bool_], among: NDArray[np.bool_] | bool = True) -> float:
    """Share of the trials that have an answer; NaN where none has."""
    counted = wrong[np.broadcast_to(among, wrong.shape)]
    return float(np.mean(counted)) if counted.size else float("nan")


def excludes_zero(fits: Fits) -> NDArray[np.bool_]:
    """Whether the 95 % t interval leaves out zero; a trial without an answer does not."""
    return Intervals.of(fits, 0.95).excludes_zero


def ordered(trials: Trials, codes: NDArray[np.int8]) -> Trials:
    """The same trials under another order: without an effect the values do not depend on it."""
    full = np.broadcast_to(codes, trials.y.shape)
    return Trials(trials.y.copy(), full, trials.present, 2, 2)


def two_sample(trials: Trials, codes: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Whether the two-sample t test that knows no blocks and no time rejects."""
    here = np.ones_like(trials.y) if trials.present is None else trials.present * 1.0
    groups = [here * (codes == code) for code in (0, 1)]
    counts = [group.sum(axis=0) for group in groups]
    df = counts[0] + counts[1] - 2
    with np.errstate(divide="ignore", invalid="ignore"):
        means = [(g * trials.y).sum(axis=0) / n for g, n in zip(groups, counts, strict=True)]
        squares = sum(
            (g * (trials.y - mean) ** 2).sum(axis=0) for g, mean in zip(groups, means, strict=True)
        )
        t = (means[1] - means[0]) / np.sqrt(squares / df * (1 / counts[0] + 1 / counts[1]))
        return np.asarray(2 * stats.t.sf(np.abs(t), np.maximum(df, 1)) < 0.05)


def serial_rates(trials: Trials, tables: Tables) -> Iterator[tuple[str, float]]:
    """Error rates of the serial models; only where no period is missed."""
    names = ("serial", "serial, KR 1997", "serial with block", "serial, Wald z")
    if trials.present is not None:
        yield from ((name, float("nan")) for name in (*names, "phases, serial"))
        return
    found: dict[str, list[NDArray[np.bool_]]] = {name: [] for name in names}
    slices = np.array_split(np.arange(trials.y.shape[1]), ORDERS)
    for places, plain, with_block in zip(slices, tables.plain, tables.with_block, strict=True):
        y = trials.y[:, places]
        for name, wrong in (plain.rejected(y) | with_block.rejected(y)).items():
            found[name].append(wrong)
    yield from ((name, rate(np.concatenate(parts))) for name, parts in found.items())
    yield "phases, serial", rate(tables.phases.rejected(trials.y)["serial"])


def verdict_rates(answers: Answers) -> dict[str, float]:
    """How often the verdict says something false, by true effect."""
    found = {}
    for label, effect in (("no effect", 0.0), ("effect equal to the margin", MARGIN)):
        codes = classify(answers.intervals.moved(effect), MARGIN)
        false = [ORDER.index(verdict) for verdict in wrong_verdicts(effect, MARGIN)]
        found[f"false verdict, {label}"] = rate(np.isin(codes, false) & answers.verdict)
    return found


if __name__ == "__main__":
    sys.exit(main())
