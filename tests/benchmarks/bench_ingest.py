"""How long ingest takes beside the bare libraries, on the same file in the same run.

Run from the root of a checkout: ``python tests/benchmarks/bench_ingest.py``. Promised: a 3-hour
1 Hz FIT file in at most 1.3 times the bare decoder, a 10-hour 1 Hz CSV in at most 1.5 times
``pandas.read_csv``. Exit status 1 when a promise is not kept.
"""

from __future__ import annotations

import importlib.util
import statistics
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import fitdecode
import numpy as np
import pandas as pd

from trialkit.ingest.reading import read_recording

ROUNDS = 15


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        fit, plain, stamped = (Path(folder) / n for n in ("ride.fit", "plain.csv", "stamps.csv"))
        fit.write_bytes(_builder().fit_file(3 * 3600, laps=((0, 5400), (5400, 10800))))
        table = _table(10 * 3600)
        table.to_csv(plain, index=False)
        begin = pd.Timestamp("2026-03-02T08:00:00Z")
        stamps = begin + pd.to_timedelta(table["time_s"], unit="s")
        table.assign(time_s=stamps.dt.strftime("%Y-%m-%dT%H:%M:%SZ")).to_csv(stamped, index=False)
        kept = [
            compare("3-hour FIT", lambda: bare_fit(fit), lambda: read_recording(fit), 1.3),
            compare("10-hour CSV", lambda: pd.read_csv(plain), lambda: read_recording(plain), 1.5),
            compare(
                "10-hour CSV with ISO stamps",
                lambda: pd.read_csv(stamped, parse_dates=["time_s"]),
                lambda: read_recording(stamped),
                1.5,
            ),
        ]
    return 0 if all(kept) else 1


def compare(name: str, bare: Callable[[], object], ours: Callable[[], object], most: float) -> bool:
    """Time both in turn, so that a slow moment of the machine falls on both."""
    bare(), ours()
    pairs = [(_seconds(bare), _seconds(ours)) for _ in range(ROUNDS)]
    low, high = (min(side) for side in zip(*pairs, strict=True))
    ratio = high / low
    middle = statistics.median(b / a for a, b in pairs)
    print(
        f"{name}: bare {1000 * low:.1f} ms, ingest {1000 * high:.1f} ms, "
        f"ratio {ratio:.2f} (median of pairs {middle:.2f}), promised at most {most}"
    )
    return ratio <= most


def bare_fit(path: Path) -> int:
    """Let the decoder read every frame with its defaults, and keep none of them."""
    with warnings.catch_warnings(), fitdecode.FitReader(path) as reader:
        return sum(1 for _ in reader)


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _table(n: int) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    return pd.DataFrame(
        {
            "time_s": np.arange(n),
            "heart_rate": rng.integers(90, 180, n),
            "power": rng.integers(0, 400, n),
            "cadence": rng.integers(60, 110, n),
            "SmO2 (%)": np.round(rng.uniform(30, 80, n), 1),
            "speed (m/s)": np.round(rng.uniform(5, 12, n), 3),
        }
    )


def _builder():
    """Load the recordings' builder of the ingest tests, so that there is one of it."""
    path = Path(__file__).resolve().parents[1] / "ingest" / "conftest.py"
    spec = importlib.util.spec_from_file_location("ingest_builders", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


if __name__ == "__main__":
    sys.exit(main())
