"""The primary comparison again under each other defensible method: does the verdict move?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import isfinite

import numpy as np

from trialkit.domain.estimates import SensitivityRow, Verdict
from trialkit.domain.observations import Observations
from trialkit.errors import RequestError, UnanswerableError
from trialkit.statistics.classical import satterthwaite
from trialkit.statistics.methods import Method, run_method, runner
from trialkit.statistics.options import EstimateOptions
from trialkit.statistics.other_scale import on_other_scale, scale_matters
from trialkit.statistics.paired import complete_blocks
from trialkit.statistics.printed import figure
from trialkit.statistics.verdict import contrast_verdict


@dataclass(frozen=True, slots=True)
class _Variant:
    """One more way to analyse: its name, what it is for, how to run it."""

    name: str
    note: str
    method: Method
    options: EstimateOptions


def sensitivity_rows(
    obs: Observations,
    options: EstimateOptions,
    *,
    chosen: str,
    place: int,
    verdict: Verdict | None,
    noise_sd: float | None = None,
) -> tuple[SensitivityRow, ...]:
    """Re-run the comparison at ``place`` under every method but the ``chosen`` one.

    A method that cannot answer for these data has no row. With a noise (``noise_sd``, one
    measurement) above 10 % of the level the chosen method is also run on the other scale.
    """
    variants = [*_variants(obs, options, chosen), *_scaled(obs, options, chosen, noise_sd)]
    rows = []
    for variant in variants:
        try:
            contrast = variant.method(obs, variant.options).contrasts[place]
        except (UnanswerableError, RequestError):
            # Not every method can stand in for every design; that is no fault of the trial.
            continue
        found = None
        # An infinite interval means that no data could have settled anything by this method.
        if options.margin is not None and verdict is not None and isfinite(contrast.interval.low):
            found = contrast_verdict(contrast, sign=options.better.sign, margin=options.margin)
        moves = found is not None and found is not verdict
        rows.append(
            SensitivityRow(
                method=variant.name,
                contrast=replace(contrast, method=variant.name),
                verdict=found,
                moves=moves,
                note=variant.note,
            )
        )
    return tuple(rows)


def leave_one_block_out(obs: Observations, options: EstimateOptions, place: int) -> tuple[str, ...]:
    """Say between which values the paired estimate moves when single blocks are left out."""
    found = []
    for block in np.unique(obs.block[complete_blocks(obs)]):
        kept = obs.keep(obs.block != block)
        try:
            found.append(run_method("paired", kept, options).contrasts[place].estimate)
        except UnanswerableError:
            # Without the one block that had another order, or any noise, nothing can be said.
            return ()
    low, high = (figure(x, scale=options.scale, unit=obs.unit) for x in (min(found), max(found)))
    return (
        f"Leaving out one block at a time moves the difference between {low} and {high} "
        "(a description, not a test).",
    )


def _variants(obs: Observations, options: EstimateOptions, chosen: str) -> Iterator[_Variant]:
    own = "mixed" if chosen == "guarded" else chosen
    notes = _NOTES if own == chosen else {**_NOTES, "mixed": _UNGUARDED}
    for name, note in notes.items():
        if name != chosen and (name != "serial" or obs.time is not None):
            if name == "bayes" and not options.borrowable:
                continue
            yield _Variant(name, note, runner(name), options)
    if own in {"paired", "mixed"} and obs.position is not None:
        turned = replace(options, period_effect=not options.period_effect)
        word = "with" if turned.period_effect else "without"
        yield _Variant(
            f"{own}, {word} place in block",
            "shows what the order inside blocks changes",
            runner(chosen),
            turned,
        )
    if own == "mixed" or not complete_blocks(obs).all():
        yield _Variant(
            "mixed, Satterthwaite", "another small-sample correction", satterthwaite, options
        )


def _scaled(
    obs: Observations, options: EstimateOptions, chosen: str, noise_sd: float | None
) -> Iterator[_Variant]:
    if noise_sd is None or not scale_matters(obs, noise_sd=noise_sd, scale=options.scale):
        return
    word = "logs" if options.scale == "raw" else "raw values"
    yield _Variant(
        f"{'mixed' if chosen == 'guarded' else chosen}, {word}",
        "noise is above 10 % of the level: shows what the scale changes",
        on_other_scale(runner(chosen)),
        options,
    )


_UNGUARDED = "the same with a block variance of zero taken at its word"
_NOTES = {
    "paired": "complete blocks only",
    "mixed": "every measured period, random blocks",
    "serial": "correlation along time instead of blocks",
    "randomisation": "rests on the draw of the order alone",
    "bayes": "with the declared noise borrowed",
}
