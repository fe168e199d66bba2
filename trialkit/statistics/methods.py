"""The methods by name: each takes observations and options and gives a `MethodResult`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from trialkit.domain.observations import Observations
from trialkit.statistics.borrowing import borrowing
from trialkit.statistics.classical import mixed, paired
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.options import EstimateOptions
from trialkit.statistics.rerandomised import rerandomised

Method = Callable[[Observations, EstimateOptions], MethodResult]

METHOD_FUNCTIONS: Final[dict[str, Method]] = {
    "paired": paired,
    "mixed": mixed,
    "randomisation": rerandomised,
    "bayes": borrowing,
}
