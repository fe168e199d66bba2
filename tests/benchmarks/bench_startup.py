"""Start of `trialkit --help` beside the import of typer alone; promised: under twice its time.

python tests/benchmarks/bench_startup.py
"""

from __future__ import annotations

import subprocess
import sys
from statistics import median
from time import perf_counter

ROUNDS = 15
PROMISE = 2.0
HELP = [sys.executable, "-m", "trialkit", "--help"]
FLOOR = [sys.executable, "-c", "import typer"]


def seconds(command: list[str]) -> float:
    begin = perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return perf_counter() - begin


def main() -> int:
    seconds(HELP), seconds(FLOOR)  # the first start of each compiles
    pairs = [(seconds(HELP), seconds(FLOOR)) for _ in range(ROUNDS)]
    ratio = median(ours / floor for ours, floor in pairs)
    for name, times in zip(
        ("trialkit --help", "import typer"), zip(*pairs, strict=True), strict=True
    ):
        print(f"{name:<18} median {median(times):.3f} s")
    print(f"ratio, pair by pair: median {ratio:.2f} (promised: under {PROMISE:g})")
    return 0 if ratio < PROMISE else 1


if __name__ == "__main__":
    sys.exit(main())
