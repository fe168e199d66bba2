"""The text and the picture of ``trialkit reliability``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from trialkit.app.reliability import RepeatColumns, reliability_table
from trialkit.errors import RequestError

COLUMNS = RepeatColumns("watts", "athlete", "day")


def repeats(folder: Path, *, growing: bool = False) -> Path:
    rng = np.random.default_rng(2)
    rows = ["athlete,day,watts"]
    for athlete in range(24):
        level = 100 + 40 * athlete
        sd = 0.08 * level if growing else 6.0
        rows += [f"a{athlete},{day},{level + rng.normal(0, sd):.3f}" for day in (1, 2, 3)]
    path = folder / "repeats.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_text_tells_degrees_of_freedom_and_what_each_correlation_answers(tmp_path: Path) -> None:
    told = reliability_table(repeats(tmp_path), COLUMNS).text
    assert "46 degrees of freedom" in told
    assert "shifts between repeats counted as error" in told
    assert "Noise grows" not in told


def test_noise_that_grows_is_said_with_what_to_do(tmp_path: Path) -> None:
    path = repeats(tmp_path, growing=True)
    told = reliability_table(path, COLUMNS).text
    assert "analyse on the log scale" in told


def test_the_picture_is_written_or_its_ending_refused(tmp_path: Path) -> None:
    path, picture = repeats(tmp_path), tmp_path / "noise.svg"
    reliability_table(path, COLUMNS, figure=picture)
    assert "<svg" in picture.read_text(encoding="utf-8")
    with pytest.raises(RequestError, match="no format known"):
        reliability_table(path, COLUMNS, figure=tmp_path / "noise.gif")
