"""What the trial's own re-randomisations say: the null distribution, and bands around curves."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.app.analysing import replayed_sequences
from trialkit.app.outcome_table import Row, observations, outcome_rows
from trialkit.app.trials import Trial
from trialkit.domain.observations import Observations
from trialkit.errors import UnanswerableError
from trialkit.report.content import (
    ChannelCurves,
    CurveBand,
    NullDistribution,
    OutcomeResult,
    Stretch,
)

if TYPE_CHECKING:
    from trialkit.statistics.randomisation import RandomisationResult
    from trialkit.statistics.traces import TraceDifference

Floats = NDArray[np.float64]
# With five pairs the smallest p a replay can reach is 2/32, above 5 %: no band could be drawn.
LEAST_PAIRS = 6
NOT_AS_DRAWN = "what was delivered is not what was drawn, so that the draw cannot be replayed"


def with_null(trial: Trial, result: OutcomeResult) -> OutcomeResult:
    """Add what chance alone would give in this design to an estimated outcome, where it can."""
    if result.estimate is None:
        return result
    rows = outcome_rows(trial, result.outcome)
    obs = observations(trial, result.outcome, rows)
    try:
        test = _null_test(trial, obs, rows, result.contrast.condition)
    except UnanswerableError:
        return result
    if test is None or test.n_sequences < 2:
        return result
    null = NullDistribution(
        test.null, test.statistic, test.p, exact=test.exact, orders=test.n_sequences
    )
    return replace(result, null=null)


def _null_test(
    trial: Trial, obs: Observations, rows: tuple[Row, ...], condition: str
) -> RandomisationResult | None:
    from trialkit.statistics.paired import block_differences
    from trialkit.statistics.randomisation import replay_test, sign_flip_test
    from trialkit.statistics.swaps import SwapSet, swaps_within_blocks

    declared = trial.plan.analysis
    further = (
        *(("period",) if declared.period_effect else ()),
        *(("trend",) if declared.trend == "linear" else ()),
    )
    sequences, exact = replayed_sequences(trial, obs, rows)
    if sequences is None and not exact:
        return None
    if sequences is None and not further:
        return sign_flip_test(block_differences(obs, condition))
    possible = swaps_within_blocks(obs) if sequences is None else SwapSet(sequences, exact)
    return replay_test(
        obs,
        possible.sequences,
        exact=possible.exact,
        condition=condition,
        adjust=("block", *further),
    )


def with_band(trial: Trial, curves: ChannelCurves, *, max_gap_s: float) -> ChannelCurves:
    """Add the difference of two sets of curves with its simultaneous band, or say why not.

    Parameters
    ----------
    max_gap_s
        Gaps inside a curve up to this length are bridged by a straight line.
    """
    obs, rows = _as_observations(trial, curves)
    filled = _bridged(curves, max_gap_s)
    used = np.asarray(np.isfinite(filled).all(axis=0))
    if why := _why_no_band(obs, used[curves.time_s >= 0]):
        return replace(curves, no_band=why)
    try:
        found = _compared(trial, (obs, rows), filled[:, used], curves.time_s[used])
    except UnanswerableError as error:
        return replace(curves, no_band=error.problems[0].wrong.rstrip("."))
    if found is None:
        return replace(curves, no_band=NOT_AS_DRAWN)
    if not np.isfinite(found.low).all():
        return replace(curves, no_band="the design leaves too few possible orders")
    return replace(curves, band=_as_band(found, used))


def _why_no_band(obs: Observations, used: NDArray[np.bool_]) -> str:
    if len(obs.levels) != 2:
        return "a band compares exactly two conditions"
    if len(_paired_blocks(obs)) < LEAST_PAIRS:
        return f"a band needs at least {LEAST_PAIRS} blocks with curves of both conditions"
    if np.mean(used) < 0.5:
        return "the recordings share less than half of the time"
    return ""


def _compared(
    trial: Trial, periods: tuple[Observations, tuple[Row, ...]], curves: Floats, time_s: Floats
) -> TraceDifference | None:
    """Compare gapless curves by the sequences that could have been drawn; None if not as drawn."""
    from trialkit.statistics.traces import paired_traces, replayed_traces

    (obs, rows), level = periods, trial.plan.analysis.level
    sequences, exact = replayed_sequences(trial, obs, rows)
    if sequences is not None:
        return replayed_traces(curves, obs, sequences, exact=exact, time_s=time_s, level=level)
    if not exact:
        return None
    reference = obs.condition == obs.reference
    differences = [
        curves[(obs.block == block) & ~reference].mean(axis=0)
        - curves[(obs.block == block) & reference].mean(axis=0)
        for block in _paired_blocks(obs)
    ]
    return paired_traces(np.vstack(differences), time_s=time_s, level=level)


def _as_band(found: TraceDifference, used: NDArray[np.bool_]) -> CurveBand:
    return CurveBand(
        difference=_spread(found.difference, used),
        low=_spread(found.low, used),
        high=_spread(found.high, used),
        level=found.level,
        p=found.p,
        stretches=tuple(Stretch(s.start_s, s.end_s, s.largest_difference) for s in found.stretches),
    )


def _as_observations(trial: Trial, curves: ChannelCurves) -> tuple[Observations, tuple[Row, ...]]:
    opened = trial.state.opened
    rows = tuple(
        Row(number, opened[number].block, opened[number].position, condition, 0.0)
        for number, condition in zip(curves.periods, curves.conditions, strict=True)
    )
    reference = trial.plan.reference.name
    present = {r.condition for r in rows}
    return (
        Observations(
            value=np.zeros(len(rows)),
            condition=np.array([r.condition for r in rows], dtype=np.str_),
            block=np.array([str(r.block) for r in rows], dtype=np.str_),
            reference=reference if reference in present else min(present),
        ),
        rows,
    )


def _paired_blocks(obs: Observations) -> list[str]:
    """Blocks in which both conditions have a curve."""
    return [
        str(block)
        for block in dict.fromkeys(obs.block.tolist())
        if len(set(obs.condition[obs.block == block].tolist())) == 2
    ]


def _bridged(curves: ChannelCurves, max_gap_s: float) -> Floats:
    step = float(curves.time_s[1] - curves.time_s[0]) if curves.time_s.size > 1 else 1.0
    return np.vstack([_bridge(row, max_gap_s / step) for row in curves.values])


def _bridge(row: Floats, longest: float) -> Floats:
    known = np.flatnonzero(np.isfinite(row))
    if known.size < 2:
        return row
    every = np.arange(row.size)
    filled = np.interp(every, known, row[known], left=np.nan, right=np.nan)
    for before, after in pairwise(known.tolist()):
        if after - before - 1 > longest:
            filled[before + 1 : after] = np.nan
    return np.asarray(filled)


def _spread(values: Floats, used: NDArray[np.bool_]) -> Floats:
    everywhere: Floats = np.full(used.size, np.nan)
    everywhere[used] = values
    return everywhere
