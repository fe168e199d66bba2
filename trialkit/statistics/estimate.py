"""One question, one answer: choose a method, estimate, judge the noise, give the verdict."""

from __future__ import annotations

from math import nan

import numpy as np

from trialkit.domain.estimates import Contrast, Decision, Estimate, Noise, Variance
from trialkit.domain.observations import Observations
from trialkit.errors import UnanswerableError
from trialkit.statistics.bayes import sceptical_sd
from trialkit.statistics.choice import Choice, check_answerable, choose, complete_count
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.methods import METHOD_FUNCTIONS
from trialkit.statistics.noise import noise_notes, observed_noise
from trialkit.statistics.options import METHODS, EstimateOptions
from trialkit.statistics.paired import complete_blocks
from trialkit.statistics.verdict import Question, decide

# Without a declared maximum nobody is sent to more than this many further blocks.
MOST_FURTHER = 30

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
    result = METHOD_FUNCTIONS[choice.method](obs, options)
    backing = backing_result(result, obs, options)
    noise = _noise(result.contrasts[primary_place(obs, options) or 0], backing, obs, options)
    return Estimate(
        outcome=obs.name,
        unit=obs.unit,
        scale=options.scale,
        n=obs.n,
        blocks=int(np.unique(obs.block).size),
        method=choice.method,
        why=choice.why,
        contrasts=result.contrasts,
        noise=noise,
        variance=_variance(backing),
        phi=result.phi,
        decision=decision_of(result, backing, obs, options) if choice.verdict else None,
        notes=_notes(choice, result, noise),
    )


def backing_result(
    result: MethodResult, obs: Observations, options: EstimateOptions
) -> MethodResult | None:
    """The result that knows the noise: the method's own, or the paired or mixed one beside it."""
    if result.evidence:
        return result
    name = "paired" if complete_blocks(obs).all() else "mixed"
    try:
        return METHOD_FUNCTIONS[name](obs, options)
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
    sceptical = result.borrowed is not None and options.effect_prior == "sceptical"
    question = Question(
        sign=options.better.sign,
        margin=options.margin,
        further_blocks=MOST_FURTHER if most is None else max(0, most - complete_count(obs)),
        df_per_block=len(obs.levels) - 1.0,
        noise=result.borrowed,
        effect_sd=sceptical_sd(options.margin) if sceptical else None,
    )
    return decide(result.contrasts[place], backing.evidence[place], question)


def primary_place(obs: Observations, options: EstimateOptions) -> int | None:
    """Place of the comparison the verdict is about; None where several conditions leave it open."""
    if options.primary_condition is not None:
        return obs.levels.index(options.primary_condition) - 1
    return 0 if len(obs.levels) == 2 else None


def _noise(
    contrast: Contrast, backing: MethodResult | None, obs: Observations, options: EstimateOptions
) -> Noise | None:
    planned, planned_df = options.planned_noise, options.planned_df
    if backing is None:
        return None
    variance, df = backing.residual, backing.residual_df
    if variance is None or df is None:
        if planned is None or planned_df is None:
            return None
        # One pair has no noise of its own; the declared figure stands in for it.
        variance, df = planned**2, planned_df
    used = np.ones(obs.n, dtype=bool) if backing.method == "mixed" else complete_blocks(obs)
    names = (contrast.condition, contrast.reference)
    counts = [int(np.sum(obs.condition[used] == name)) for name in names]
    return observed_noise(
        variance,
        df,
        effect=contrast.estimate,
        counts=(counts[0], counts[1]),
        planned=None if planned is None else (planned, planned_df),
    )


def _notes(choice: Choice, result: MethodResult, noise: Noise | None) -> tuple[str, ...]:
    missing = (result.missing,) if result.missing else ()
    return choice.notes + result.notes + missing + (noise_notes(noise) if noise else ())


def _variance(backing: MethodResult | None) -> Variance:
    if backing is None or backing.residual is None:
        return Variance(block=None, residual=nan)
    return Variance(block=backing.block, residual=backing.residual)
