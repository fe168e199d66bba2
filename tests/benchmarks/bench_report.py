"""How long the report of 8 pairs with 16 recordings takes, pictures included.

Promised: less than 4 s on two cores; exit status 1 when it is not kept. Prints seconds of wall
clock per run of the command and, as a figure that does not hang on the
machine, the ratio to the time in which the same Python imports the libraries the report needs.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

RUNS = 5
PROMISED_S = 4.0
IMPORTS = "import numpy, scipy.stats, matplotlib.figure, pydantic, jinja2, typer"


def main() -> int:
    with TemporaryDirectory() as folder:
        root = str(Path(folder) / "demo")
        seconds(["-m", "trialkit", "demo", root])
        report = min(seconds(["-m", "trialkit", "report", root]) for _ in range(RUNS))
        imports = min(seconds(["-c", IMPORTS]) for _ in range(RUNS))
    print(f"report: {report:.2f} s (best of {RUNS}); imports alone: {imports:.2f} s")
    print(f"ratio: {report / imports:.1f}")
    return 0 if report < PROMISED_S else 1


def seconds(arguments: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    return time.perf_counter() - start


if __name__ == "__main__":
    sys.exit(main())
