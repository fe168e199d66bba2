"""How long the exact sign-flip test of 20 pairs takes beside SciPy's general permutation test.

Run from the root of a checkout: ``python tests/benchmarks/bench_sign_flips.py``. Both count all
2^20 sign patterns of the same differences in the same run, SciPy in batches with a vectorised
statistic. Promised: at least 100 times faster, the interval by inversion included. Exit status 1
when the promise is not kept or the two p differ.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.stats import permutation_test

from trialkit.statistics.randomisation import sign_flip_test
from trialkit.statistics.randomisation_exact import sign_flip_count

PAIRS, ROUNDS, PROMISED = 20, 15, 100.0


def main() -> int:
    differences = np.random.default_rng(20).normal(0.4, 1.0, PAIRS)
    slow, other = timed(lambda: scipy_p(differences), rounds=1)
    count, p = timed(lambda: sign_flip_count(differences) / 2**PAIRS, rounds=ROUNDS)
    whole, result = timed(lambda: sign_flip_test(differences), rounds=ROUNDS)
    ratio = slow / whole
    print(
        f"exact sign flips of {PAIRS} pairs: scipy {slow:.2f} s; p alone {1000 * count:.2f} ms "
        f"({slow / count:.0f} times faster); p with interval and null {1000 * whole:.1f} ms "
        f"({ratio:.0f} times faster, promised {PROMISED:.0f}); p {p:.9f} against {other:.9f}"
    )
    return 0 if ratio >= PROMISED and p == result.p and abs(p - other) < 1e-12 else 1


def scipy_p(differences: np.ndarray) -> float:
    """Two-sided p by SciPy, all patterns, statistic vectorised over patterns."""
    found = permutation_test(
        (differences,),
        lambda x, axis: np.mean(x, axis=axis),
        permutation_type="samples",
        n_resamples=np.inf,
        vectorized=True,
        batch=65_536,
    )
    return float(found.pvalue)


def timed(work: Callable[[], object], *, rounds: int) -> tuple[float, object]:
    """Shortest of some rounds, and the result."""
    times = []
    for _ in range(rounds):
        started = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - started)
    return min(times), result


if __name__ == "__main__":
    sys.exit(main())
