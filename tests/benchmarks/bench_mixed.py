"""How long one Kenward-Roger fit takes beside one mixed fit of statsmodels, same data, same run.

Run from the root of a checkout: ``python tests/benchmarks/bench_mixed.py``. Promised: at least 20
times faster, degrees of freedom included, which statsmodels does not give. Exit status 1 when the
promise is not kept.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
from statsmodels.regression.mixed_linear_model import MixedLM

from trialkit.domain.observations import Observations
from trialkit.statistics.fixed_effects import Terms
from trialkit.statistics.mixed import fit_mixed

ROUNDS, TURN = 25, 20
PROMISED = 20.0


def main() -> int:
    obs = trial()
    X = np.column_stack([np.ones(obs.n), obs.condition == "B"]).astype(float)
    fit = fit_mixed(obs, Terms())
    other = MixedLM(obs.value, X, groups=obs.block).fit(reml=True)
    agree = abs(other.fe_params[1] - fit.contrast("B", "A").estimate)
    theirs, ours = in_turn(
        lambda: MixedLM(obs.value, X, groups=obs.block).fit(reml=True),
        lambda: fit_mixed(obs, Terms()).contrast("B", "A"),
    )
    ratio = theirs / ours
    print(
        f"one fit of {obs.n} periods in 8 pairs: statsmodels {1000 * theirs:.2f} ms, Kenward-Roger "
        f"fit {1000 * ours:.3f} ms, {ratio:.0f} times faster (promised {PROMISED:.0f}); the "
        f"estimates differ by {agree:.1e}"
    )
    return 0 if ratio >= PROMISED and agree < 1e-4 else 1


def trial() -> Observations:
    """Eight invented pairs, two periods missing."""
    rng = np.random.default_rng(4)
    condition = np.tile(["A", "B"], 8)
    value = 50 + np.repeat(rng.normal(size=8), 2) + rng.normal(size=16) + (condition == "B")
    block = np.repeat([f"b{i}" for i in range(8)], 2)
    keep = ~np.isin(np.arange(16), [3, 12])
    return Observations(value[keep], condition[keep], block[keep], reference="A")


def in_turn(*works: Callable[[], object]) -> list[float]:
    """Processor time of a call in the shortest of all turns, the works taking turns by turns."""
    times: list[list[float]] = [[] for _ in works]
    with warnings.catch_warnings():
        # statsmodels warns at the boundary; the time is what is looked at here.
        warnings.simplefilter("ignore")
        for _ in range(ROUNDS):
            for work, found in zip(works, times, strict=True):
                begin = time.process_time()
                for _ in range(TURN):
                    work()
                found.append((time.process_time() - begin) / TURN)
    return [min(found) for found in times]


if __name__ == "__main__":
    sys.exit(main())
