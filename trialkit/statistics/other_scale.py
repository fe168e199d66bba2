"""The same comparison on the other scale: logs beside raw values, raw values beside logs.

With noise above a tenth of the level it matters whether noise is taken to grow with the level.
Differences are brought back to the scale of the analysis at the level of the reference condition,
so that the declared margin stays what it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from trialkit.domain.estimates import Contrast, Interval
from trialkit.domain.observations import Observations
from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.options import EstimateOptions

Method = Callable[[Observations, EstimateOptions], MethodResult]
Transform = Callable[[float], float]

# Coefficient of variation of one measurement above which the scale is varied.
MATTERS = 0.10


def scale_matters(obs: Observations, *, noise_sd: float, scale: str) -> bool:
    """Whether noise is above 10 % of the level, and logs can be taken at all."""
    if scale == "log":
        return float(np.expm1(noise_sd)) > MATTERS
    return bool(np.all(obs.value > 0)) and noise_sd > MATTERS * float(obs.value.mean())


def on_other_scale(method: Method) -> Method:
    """Let a method see the other scale and answer on the scale of the analysis."""

    def run(obs: Observations, options: EstimateOptions) -> MethodResult:
        there, back = _transforms(obs, options.scale)
        turned = replace(
            obs, value=np.log(obs.value) if options.scale == "raw" else np.exp(obs.value)
        )
        noise = None if options.planned_noise is None else there(options.planned_noise)
        result = method(turned, replace(options, planned_noise=noise))
        return replace(result, contrasts=tuple(_brought(c, back) for c in result.contrasts))

    return run


def _transforms(obs: Observations, scale: str) -> tuple[Transform, Transform]:
    """Differences from the analysis to the other scale and back, at the reference's level."""
    reference = obs.value[obs.condition == obs.reference]

    def to_logs(difference: float) -> float:
        share = difference / level
        return float(np.log1p(share)) if share > -1 else -np.inf

    def to_raw(difference: float) -> float:
        return level * float(np.expm1(min(difference, 700.0)))

    if scale == "raw":
        level = float(np.exp(np.log(reference).mean()))
        return to_logs, to_raw
    level = float(np.exp(reference).mean())
    return to_raw, to_logs


def _brought(contrast: Contrast, back: Transform) -> Contrast:
    estimate = back(contrast.estimate)
    if not np.isfinite(estimate):
        raise UnanswerableError(_below_nothing())
    # A difference of logs has no standard error in raw units that would give its interval.
    return replace(
        contrast,
        estimate=estimate,
        interval=_interval(contrast.interval, back),
        se=None,
        interval_90=None if contrast.interval_90 is None else _interval(contrast.interval_90, back),
    )


def _interval(interval: Interval, back: Transform) -> Interval:
    return Interval(back(interval.low), back(interval.high), interval.level)


def _below_nothing() -> Problem:
    return Problem(
        where="scale",
        found="a difference larger than the level it starts from",
        wrong="it has no logarithm.",
        fix="keep the scale of the analysis.",
    )
