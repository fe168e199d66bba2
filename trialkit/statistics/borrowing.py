"""Estimation with borrowed noise: the typical error of a reliability study joins the trial's own.

Intervals and verdict rest on a flat effect prior. Under a sceptical prior tied to the margin the
90 % interval lies inside the margins before anything is measured, so "no worthwhile difference"
would come from the prior; the sceptical prior therefore only shapes the chances.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trialkit.domain.estimates import Contrast
from trialkit.domain.observations import Observations
from trialkit.statistics.bayes import (
    Evidence,
    NoisePrior,
    StudentPosterior,
    borrowed_df,
    chances,
    posterior,
    sceptical_sd,
)
from trialkit.statistics.classical import mixed, paired
from trialkit.statistics.contrasts import LinearContrast
from trialkit.statistics.fixed_effects import Terms
from trialkit.statistics.method_result import MethodResult
from trialkit.statistics.options import EstimateOptions, Pair, pairs_to_compare
from trialkit.statistics.paired import block_differences, complete_blocks
from trialkit.statistics.printed import figure


def borrowing(obs: Observations, options: EstimateOptions) -> MethodResult:
    """Posterior t of each contrast with the declared noise as a prior.

    With B pairs: nu0 + B - 1 df, centre d, scale sqrt(2 s2 / B), s2 = (nu0 TE^2 + SS) / df, where
    SS is the trial's own residual sum of squares of single measurements. nu0 is the study's df,
    discounted because athletes differ in noise.

    Raises
    ------
    UnanswerableError
        When there is neither own nor borrowed noise.
    """
    noise = noise_prior(options)
    own = _own(obs, options)
    contrasts = tuple(
        _contrast(pair, evidence, noise, options.level)
        for pair, evidence in zip(pairs_to_compare(obs, options), own.evidence, strict=True)
    )
    return replace(
        own,
        method="bayes",
        contrasts=contrasts,
        borrowed=noise,
        notes=(*own.notes, _note(noise, options, obs.unit)),
    )


def sceptical_note(evidence: Evidence, options: EstimateOptions) -> str:
    """Say what a reader who expects no worthwhile effect would believe after the trial."""
    assert options.margin is not None
    belief = posterior(evidence, noise=noise_prior(options), effect_sd=sceptical_sd(options.margin))
    found = chances(belief, options.margin, sign=options.better.sign)
    return (
        "Who had given an effect beyond the smallest worthwhile change one chance in ten before "
        f"the trial should now give {100 * found.better:.0f} % to better, {100 * found.within:.0f} "
        f"% to no worthwhile difference and {100 * found.worse:.0f} % to worse (sceptical prior; "
        "verdict and chances elsewhere rest on a flat one)."
    )


def noise_prior(options: EstimateOptions) -> NoisePrior | None:
    """The declared typical error with its discounted df, or None where it has no df."""
    if options.planned_noise is None or options.planned_df is None:
        return None
    return NoisePrior(options.planned_noise, borrowed_df(options.planned_df))


def _own(obs: Observations, options: EstimateOptions) -> MethodResult:
    complete = complete_blocks(obs)
    if len(obs.levels) == 2 and complete.any() and options.terms == Terms():
        return _from_differences(obs.keep(complete))
    return paired(obs, options) if complete.all() else mixed(obs, options)


def _from_differences(obs: Observations) -> MethodResult:
    # One pair has a difference but no noise of its own, which no fit would accept.
    evidence = Evidence.from_differences(block_differences(obs, obs.levels[1]))
    replicates = _replicates(obs)
    evidence = replace(
        evidence, unit_variance=evidence.unit_variance / replicates, ss=evidence.ss * replicates
    )
    return MethodResult(
        method="bayes",
        contrasts=(),
        residual=evidence.ss / evidence.df if evidence.df else None,
        residual_df=evidence.df or None,
        evidence=(evidence,),
        missing="Only blocks that hold both conditions count: right when the reason for missing "
        "has nothing to do with the condition or the value.",
    )


def _replicates(obs: Observations) -> float:
    cells = np.char.add(np.char.add(obs.block, "\x1f"), obs.condition)
    return float(1 / np.mean(1 / np.unique(cells, return_counts=True)[1]))


def _contrast(pair: Pair, evidence: Evidence, noise: NoisePrior | None, level: float) -> Contrast:
    belief = posterior(evidence, noise=noise)
    assert isinstance(belief, StudentPosterior)  # the effect prior is flat here
    student = LinearContrast(belief.mean, belief.scale, belief.df)
    return student.named(*pair, method="bayes", level=level)


def _note(noise: NoisePrior | None, options: EstimateOptions, unit: str | None) -> str:
    if noise is None or options.planned_df is None:
        return "No typical error with degrees of freedom was declared: only the own noise counts."
    told = figure(noise.typical_error, scale=options.scale, unit=unit)
    return (
        f"Noise borrowed: typical error {told}, counted as {noise.df:.3g} of "
        f"its {options.planned_df:.3g} degrees of freedom because athletes differ in noise. For an "
        "athlete twice as noisy as that the error rate is about 20 %, not 5 %."
    )
