"""The randomisation test as a method of estimation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.estimates import Contrast
from trialkit.domain.observations import Observations
from trialkit.errors import Problem, RequestError
from trialkit.statistics.contrasts import equivalence_level
from trialkit.statistics.fixed_effects import place_in_block
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.options import EstimateOptions, Pair, pairs_to_compare
from trialkit.statistics.paired import block_differences, complete_blocks
from trialkit.statistics.randomisation import RandomisationResult, replay_test, sign_flip_test
from trialkit.statistics.swaps import SwapSet, swaps_within_blocks

# Up to this many orders all are listed; of more, a sample.
_LISTED = 100_000


def rerandomised(obs: Observations, options: EstimateOptions) -> MethodResult:
    """The design's own re-randomisation, intervals by inversion.

    Without the sequences of a protocol the reference set is every swap of conditions inside
    blocks, which is right when the order inside each block was drawn by itself.

    Raises
    ------
    RequestError
        When carryover is to be modelled: what it leaves changes with every re-randomisation.
    """
    if options.carryover:
        raise RequestError(
            Problem(
                where="carryover",
                found="a randomisation test",
                wrong="a carryover term would have to be rebuilt for every possible order.",
                fix="leave carryover out, or use method mixed.",
            )
        )
    if obs.position is not None:
        obs = replace(obs, position=place_in_block(obs.position, obs.block))
    assumed = options.reference_sequences is None
    return MethodResult(
        method="randomisation",
        contrasts=tuple(_contrast(obs, options, pair) for pair in pairs_to_compare(obs, options)),
        residual=None,
        residual_df=None,
        missing="The order is replayed over the measured periods only: right when the reason for "
        "missing has nothing to do with the condition.",
        notes=(
            "The randomisation test supposes that the order inside each block was drawn at random.",
        )
        if assumed
        else (),
    )


def swaps_of(obs: Observations, pair: Pair) -> SwapSet:
    """Every order that swaps two conditions inside blocks, the others left in place.

    Examples
    --------
    >>> pairs = Observations(np.arange(4.0), np.array(list("abba")), np.array(list("1122")), "a")
    >>> sorted(swaps_of(pairs, ("b", "a")).sequences.tolist())
    [[0, 1, 0, 1], [0, 1, 1, 0], [1, 0, 0, 1], [1, 0, 1, 0]]
    """
    swapped = np.isin(obs.condition, pair)
    # A row in a block of its own keeps its condition.
    alone = np.char.add("row ", np.arange(obs.n).astype(str))
    held = replace(obs, block=np.where(swapped, np.char.add("block ", obs.block), alone))
    return swaps_within_blocks(held, max_exact=_LISTED)


def _contrast(obs: Observations, options: EstimateOptions, pair: Pair) -> Contrast:
    wide = _test(obs, options, pair, options.level)
    narrow = _test(obs, options, pair, equivalence_level(options.level))
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


def _test(
    obs: Observations, options: EstimateOptions, pair: Pair, level: float
) -> RandomisationResult:
    adjust = ["block", *(["period"] if options.period_effect else [])]
    adjust += ["trend"] if options.trend else []
    sequences: NDArray[np.integer]
    if options.reference_sequences is not None:
        sequences, exact = np.asarray(options.reference_sequences), options.sequences_exact
    elif len(adjust) == 1 and _in_pairs(obs):
        return sign_flip_test(block_differences(obs, pair[0]), level=level)
    else:
        swaps = swaps_of(obs, pair)
        sequences, exact = swaps.sequences, swaps.exact
    return replay_test(
        obs, sequences, exact=exact, condition=pair, adjust=tuple(adjust), level=level
    )


def _in_pairs(obs: Observations) -> bool:
    complete = complete_blocks(obs)
    sizes = np.unique(obs.block[complete], return_counts=True)[1]
    return len(obs.levels) == 2 and bool(complete.any()) and bool(np.all(sizes == 2))
