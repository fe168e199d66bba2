"""The methods by name: each takes observations and options and gives a `MethodResult`."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

from trialkit.domain.observations import Observations
from trialkit.statistics.borrowing import borrowing
from trialkit.statistics.classical import guarded, mixed, paired
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.options import EstimateOptions
from trialkit.statistics.periods import period_means
from trialkit.statistics.rerandomised import rerandomised
from trialkit.statistics.serial_method import serially

Method = Callable[[Observations, EstimateOptions], MethodResult]

METHOD_FUNCTIONS: Final[dict[str, Method]] = {
    "paired": paired,
    "mixed": mixed,
    "guarded": guarded,
    "serial": serially,
    "randomisation": rerandomised,
    "bayes": borrowing,
}


def run_method(method: str, obs: Observations, options: EstimateOptions) -> MethodResult:
    """Run one method; all but the mixed model see one value per period, the mean of its repeats."""
    data = obs if method in {"mixed", "guarded"} else period_means(obs)
    return METHOD_FUNCTIONS[method](data, options)


def runner(method: str) -> Method:
    """`run_method` with the method filled in."""
    return partial(run_method, method)
