"""The tables behind the calibration give the answers of the plain single-trial fit."""

from __future__ import annotations

import csv
import importlib.util
import sys
from math import sqrt
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from trialkit.design.blocks import ShuffledBlocks
from trialkit.planning.methods import Declared, analyse
from trialkit.planning.model_columns import Terms
from trialkit.planning.trials import Truth, simulate
from trialkit.statistics.fixed_effects import block_indicators
from trialkit.statistics.serial import SerialDesign, fit_serial

TOOLS = Path(__file__).parents[2] / "tools"


@pytest.fixture(scope="module")
def serial_tables() -> ModuleType:
    spec = importlib.util.spec_from_file_location("calibrate_serial", TOOLS / "calibrate_serial.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["calibrate_serial"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("with_block", [False, True])
def test_tables_decide_like_the_plain_fit(serial_tables: ModuleType, with_block: bool) -> None:
    order = np.array([0, 1, 1, 0, 1, 0, 0, 1, 0, 1])
    grid = serial_tables.tabulate(order, with_block=with_block)
    rng = np.random.default_rng(2)
    y = rng.normal(size=(10, 60)) + 1.2 * order[:, None]
    name = "serial with block" if with_block else "serial"
    decided = grid.rejected(y)[name]
    X = np.column_stack([np.ones(10), order]).astype(float)
    Z = block_indicators(np.repeat(list("abcde"), 2)) if with_block else None
    design = SerialDesign.of(X, np.arange(10.0), Z=Z)
    unequal = 0
    for i in range(60):
        got = fit_serial(y[:, i], design).contrast(np.array([0.0, 1.0]))
        # A trial on the edge of 5 % may fall to the other side when phi is rounded to the grid.
        edge = 0.02 if with_block else 0.004
        if abs(got.p - 0.05) > edge:
            unequal += bool((got.p < 0.05) != decided[i])
    assert unequal == 0
    assert 5 < decided.sum() < 55


def test_wald_is_readier_than_the_corrected_interval(serial_tables: ModuleType) -> None:
    grid = serial_tables.tabulate(np.array([0, 1] * 4), with_block=False)
    assert np.all(grid.reach["serial, Wald z"] < grid.reach["serial"])


def test_the_default_is_calibrated_where_the_plain_mixed_model_is_not() -> None:
    # Eight pairs, no block variance, a quarter of the periods missed, 40,000 trials: the
    # restricted likelihood is often at its boundary. Limits: four Monte-Carlo errors.
    trials = simulate(
        ShuffledBlocks(("reference", "new"), 16),
        Truth(block_sd=0.0, missing=0.25),
        block_size=2,
        trials=40_000,
        rng=np.random.default_rng(12),
    )
    default, plain = (
        analyse(trials, Declared(method, 0.95, Terms(), None)).intervals
        for method in ("auto", "mixed")
    )
    allowed = 4 * sqrt(0.05 * 0.95 / 40_000)
    answered = np.isfinite(default.half_width)
    assert np.mean(default.excludes_zero[answered]) == pytest.approx(0.05, abs=allowed)
    assert np.mean(plain.excludes_zero[answered]) > 0.05 + allowed


def test_the_stored_table_keeps_its_promise() -> None:
    folder = TOOLS.parent / "reports" / "calibration"
    with (folder / "table.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 60
    assert all(int(row["replicates"]) >= 10_000 for row in rows)
    page = (folder / "README.md").read_text(encoding="utf-8")
    off = [row for row in rows if row["default_calibrated"] == "False"]
    for row in rows:
        # Four Monte-Carlo errors of a rate of 5 %.
        allowed = 4 * sqrt(0.05 * 0.95 / int(row["replicates"]))
        expected = abs(float(row["default"]) - 0.05) <= allowed
        assert row["default_calibrated"] == str(expected)
    for row in off:
        assert f"| {float(row['default']):.4f} |" in page
    # Where the default is off, noise has heavy tails and it errs on the safe side.
    assert all(row["tails"] == "t3" and float(row["default"]) < 0.05 for row in off)
    assert min(float(row["mixed, Wald z"]) for row in rows) > 0.06
