"""Published group-sequential limits for a normal statistic."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.statistics.spending import crossing_chances, normal_limits

FILE = Path(__file__).parents[2] / "reference_data" / "group_sequential" / "checks.json"
WANT = json.loads(FILE.read_text())["group_sequential_boundaries"]["results"]


def even(looks: int) -> list[float]:
    return [(k + 1) / looks for k in range(looks)]


@pytest.mark.parametrize("looks", [2, 3, 4, 5])
@pytest.mark.parametrize(("short", "spending"), [("of", "obrien-fleming"), ("p", "pocock")])
def test_spending_limits(looks, short, spending):
    # The published figures spend 2.5 % on one side.
    found = normal_limits(even(looks), spending=spending, alpha=0.025, sides=1)
    want = [WANT[f"ld_{short}_K{looks}_look{k + 1}"] for k in range(looks)]
    # rpact's own integration is good to about 1e-5.
    assert np.allclose(found, want, rtol=1e-5)


@pytest.mark.parametrize("looks", [2, 3, 4, 5])
def test_classical_constants_spend_five_percent(looks):
    pocock = [WANT[f"pocock_K{looks}"]] * looks
    assert sum(crossing_chances(even(looks), pocock)) == pytest.approx(0.05, abs=1e-7)
    last = WANT[f"obf_K{looks}_last"]
    obrien_fleming = [last * np.sqrt(looks / (k + 1)) for k in range(looks)]
    assert obrien_fleming[0] == pytest.approx(WANT.get(f"obf_K{looks}_first"), rel=1e-9)
    assert sum(crossing_chances(even(looks), obrien_fleming)) == pytest.approx(0.05, abs=1e-7)


def test_repeated_tests_at_five_percent():
    """Armitage, McPherson & Rowe (1969): printed .083 .107 .126 .142 .193 (from memory)."""
    for looks, chance in ((2, 0.0831), (3, 0.1072), (4, 0.1262), (5, 0.1417), (10, 0.1934)):
        found = sum(crossing_chances(even(looks), [1.959964] * looks))
        assert found == pytest.approx(chance, abs=1.5e-4)
