"""The randomisation test as a method of estimation."""

from __future__ import annotations

import numpy as np

from trialkit.domain.estimates import Contrast
from trialkit.domain.observations import Observations
from trialkit.errors import Problem, UnanswerableError
from trialkit.statistics.contrasts import equivalence_level
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.options import EstimateOptions, Pair, pairs_to_compare
from trialkit.statistics.paired import block_differences
from trialkit.statistics.randomisation import RandomisationResult, replay_test, sign_flip_test


def rerandomised(obs: Observations, options: EstimateOptions) -> MethodResult:
    """The design's own re-randomisation, intervals by inversion."""
    return MethodResult(
        method="randomisation",
        contrasts=tuple(
            _randomisation_contrast(obs, options, pair) for pair in pairs_to_compare(obs, options)
        ),
        residual=None,
        residual_df=None,
        missing="The order is replayed over the measured periods only: right when the reason for "
        "missing has nothing to do with the condition.",
    )


def _randomisation_contrast(obs: Observations, options: EstimateOptions, pair: Pair) -> Contrast:
    wide = _randomisation_test(obs, options, pair, options.level)
    narrow = _randomisation_test(obs, options, pair, equivalence_level(options.level))
    return Contrast(
        condition=pair[0],
        reference=pair[1],
        method="randomisation",
        estimate=wide.statistic,
        interval=wide.interval,
        p=wide.p,
        exact=wide.exact,
        smallest_p=wide.smallest_p,
        mc_error=wide.mc_error,
        interval_90=narrow.interval,
    )


def _randomisation_test(
    obs: Observations, options: EstimateOptions, pair: Pair, level: float
) -> RandomisationResult:
    adjust = ["block", *(["period"] if options.period_effect else [])]
    adjust += ["trend"] if options.trend else []
    if options.reference_sequences is not None:
        return replay_test(
            obs,
            np.asarray(options.reference_sequences),
            exact=options.sequences_exact,
            condition=pair[0],
            adjust=tuple(adjust),
            level=level,
        )
    if len(obs.levels) > 2 or len(adjust) > 1:
        raise UnanswerableError(
            Problem(
                where="randomisation",
                found="no sequences to replay",
                wrong="with several conditions or further terms the drawn order must be known.",
                fix="analyse the trial folder, or use method paired or mixed.",
            )
        )
    return sign_flip_test(block_differences(obs, pair[0]), level=level)
