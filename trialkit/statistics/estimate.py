"""One question, one answer: choose a method, estimate, judge the noise, give the verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.domain.estimates import Contrast, Decision, Estimate, Noise, SensitivityRow, Variance
from trialkit.domain.observations import Observations
from trialkit.errors import UnanswerableError
from trialkit.statistics.bayes import posterior
from trialkit.statistics.borrowing import sceptical_note
from trialkit.statistics.choice import (
    Choice,
    check_answerable,
    choose,
    complete_count,
)
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.methods import run_method
from trialkit.statistics.multiplicity import holm
from trialkit.statistics.noise import noise_notes, observed_noise
from trialkit.statistics.options import METHODS, EstimateOptions
from trialkit.statistics.paired import complete_blocks
from trialkit.statistics.periods import period_means
from trialkit.statistics.sensitivity import leave_one_block_out, sensitivity_rows
from trialkit.statistics.stated_correlation import tipping_note
from trialkit.statistics.verdict import Question, decide

# Without a declared maximum nobody is sent to more than this many further blocks.
MOST_FURTHER = 30
# Leaving one block out is worth telling when four others stay.
_ENOUGH_TO_LEAVE_OUT = 5

__all__ = ["METHODS", "EstimateOptions", "estimate"]


def estimate(obs: Observations, *, options: EstimateOptions | None = None) -> Estimate:
    """Estimate the differences between conditions of one trial, their noise and the verdict.

    Parameters
    ----------
    obs : Observations
        One row per measured period, on the scale of the analysis.
    options : EstimateOptions, optional
        What was declared; the defaults choose the method and give no verdict.

    Raises
    ------
    RequestError
        When the request does not fit the table.
    UnanswerableError
        When design or data cannot answer the question.

    Examples
    --------
    >>> import numpy as np
    >>> hours = np.array([.7, -1.6, -.2, -1.2, -.1, 3.4, 3.7, .8, 0, 2,
    ...                   1.9, .8, 1.1, .1, -.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    >>> drug, patient = np.repeat(["one", "two"], 10), np.tile(list("ABCDEFGHIJ"), 2)
    >>> sleep = estimate(Observations(hours, drug, patient, reference="one"))
    >>> sleep.method, round(sleep.contrasts[0].p, 6)
    ('paired', 0.002833)
    """
    options = options or EstimateOptions()
    check_answerable(obs, options)
    choice = choose(obs, options)
    result = run_method(choice.method, obs, options)
    backing = backing_result(result, obs, options)
    place = primary_place(obs, options)
    noise = _noise(result.contrasts[place or 0], backing, obs, options)
    decision = decision_of(result, backing, obs, options) if choice.verdict else None
    return Estimate(
        outcome=obs.name,
        unit=obs.unit,
        scale=options.scale,
        n=obs.n,
        blocks=int(np.unique(obs.block).size),
        method=result.method,
        why=choice.why,
        contrasts=_adjusted(result.contrasts),
        noise=noise,
        variance=_variance(backing),
        phi=result.phi,
        sensitivity=_sensitivity(obs, options, choice, result=result, found=(noise, decision)),
        decision=decision,
        notes=(
            *_notes(obs, options, choice, result),
            *_tipping(obs, options, decision),
            *(noise_notes(noise, scale=options.scale, unit=obs.unit) if noise else ()),
        ),
    )


def backing_result(
    result: MethodResult, obs: Observations, options: EstimateOptions
) -> MethodResult | None:
    """The result that knows the noise: the method's own, or the paired or mixed one beside it."""
    if result.evidence:
        return result
    name = "paired" if complete_blocks(obs).all() else "mixed"
    try:
        return run_method(name, obs, options)
    except UnanswerableError:
        # A randomisation test can stand where no noise is left to estimate.
        return None


def decision_of(
    result: MethodResult, backing: MethodResult | None, obs: Observations, options: EstimateOptions
) -> Decision | None:
    """The verdict on the primary comparison, or None without margin, noise or a primary one."""
    place = primary_place(obs, options)
    if place is None or backing is None or options.margin is None:
        return None
    most = options.max_blocks
    question = Question(
        sign=options.better.sign,
        margin=options.margin,
        further_blocks=MOST_FURTHER if most is None else max(0, most - _blocks_done(obs)),
        df_per_block=_df_per_block(obs),
        blocks_done=None if complete_count(obs) else _blocks_done(obs),
        noise=result.borrowed,
        scale=options.scale,
        unit=obs.unit,
    )
    return decide(result.contrasts[place], backing.evidence[place], question)


def _blocks_done(obs: Observations) -> int:
    """Complete blocks, or all of them where blocks are incomplete by design."""
    return complete_count(obs) or int(np.unique(obs.block).size)


def _df_per_block(obs: Observations) -> float:
    """What a further block adds: as many comparisons as one holds, or held where none is whole."""
    if complete_count(obs):
        return len(obs.levels) - 1.0
    cells = set(zip(obs.block.tolist(), obs.condition.tolist(), strict=True))
    return len(cells) / _blocks_done(obs) - 1.0


def primary_place(obs: Observations, options: EstimateOptions) -> int | None:
    """Place of the comparison the verdict is about; None where several conditions leave it open."""
    if options.primary_condition is not None:
        return obs.levels.index(options.primary_condition) - 1
    return 0 if len(obs.levels) == 2 else None


def _noise(
    contrast: Contrast, backing: MethodResult | None, obs: Observations, options: EstimateOptions
) -> Noise | None:
    if backing is None:
        return None
    everything = backing.block is not None or backing.phi is not None
    used = np.ones(obs.n, dtype=bool) if everything else complete_blocks(obs)
    periods = period_means(obs.keep(used)).condition
    counts = (
        int(np.sum(periods == contrast.condition)),
        int(np.sum(periods == contrast.reference)),
    )
    planned, planned_df = options.planned_noise, options.planned_df
    if backing.residual is None or backing.residual_df is None:
        # One pair has no noise of its own; the declared figure stands in for it.
        if planned is None or planned_df is None:
            return None
        return observed_noise(
            planned**2, planned_df, effect=contrast.estimate, counts=counts, level=options.level
        )
    return observed_noise(
        backing.residual,
        backing.residual_df,
        effect=contrast.estimate,
        counts=counts,
        planned=None if planned is None else (planned, planned_df),
        level=options.level,
    )


def _variance(backing: MethodResult | None) -> Variance:
    if backing is None:
        # Differences that are all equal leave a randomisation test, but no noise.
        return Variance(block=None, residual=0.0)
    if backing.residual is not None:
        return Variance(block=backing.block, residual=backing.residual)
    return Variance(
        block=None, residual=posterior(backing.evidence[0], noise=backing.borrowed).noise ** 2
    )


def _adjusted(contrasts: tuple[Contrast, ...]) -> tuple[Contrast, ...]:
    """Holm over the comparisons of one trial with several conditions."""
    p = [c.p for c in contrasts if c.p is not None]
    if len(contrasts) < 2 or len(p) < len(contrasts):
        return contrasts
    return tuple(replace(c, p_adjusted=float(a)) for c, a in zip(contrasts, holm(p), strict=True))


def _sensitivity(
    obs: Observations,
    options: EstimateOptions,
    choice: Choice,
    *,
    result: MethodResult,
    found: tuple[Noise | None, Decision | None],
) -> tuple[SensitivityRow, ...]:
    if not options.sensitivity:
        return ()
    noise, decision = found
    # At a block variance above zero the guard changes nothing.
    chosen = "mixed" if choice.method == "guarded" and result.block else choice.method
    return sensitivity_rows(
        obs,
        options,
        chosen=chosen,
        place=primary_place(obs, options) or 0,
        verdict=decision.verdict if decision else None,
        noise_sd=noise.typical_error if noise else None,
    )


def _notes(
    obs: Observations, options: EstimateOptions, choice: Choice, result: MethodResult
) -> tuple[str, ...]:
    found = [*choice.notes, *result.notes]
    place = primary_place(obs, options)
    if not complete_blocks(obs).all():
        found.append("Missing periods: " + result.missing)
    if place is None and options.margin is not None:
        found.append(
            "No verdict: with several conditions it has to be declared which of them is compared "
            "with the reference."
        )
    sceptical = result.borrowed is not None and options.effect_prior == "sceptical"
    if sceptical and options.margin is not None:
        found.append(sceptical_note(result.evidence[place or 0], options))
    if (
        options.sensitivity
        and complete_count(obs) >= _ENOUGH_TO_LEAVE_OUT
        and result.residual is not None
    ):
        found += leave_one_block_out(obs, options, place or 0)
    return tuple(found)


def _tipping(
    obs: Observations, options: EstimateOptions, decision: Decision | None
) -> tuple[str, ...]:
    place = primary_place(obs, options)
    if decision is None or obs.time is None or place is None or not options.sensitivity:
        return ()
    try:
        note = tipping_note(period_means(obs), options, place=place, verdict=decision.verdict)
    except UnanswerableError:
        # Fixed blocks with the terms asked for can leave nothing to estimate; then no curve.
        return ()
    return (note,)
