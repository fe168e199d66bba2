"""Pool the primary outcomes of several trial folders that ran on one protocol."""

from __future__ import annotations

from dataclasses import replace
from math import expm1
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.app.answers import Answer
from trialkit.app.looks import refuse_unasked_look
from trialkit.app.outcome_table import observations, outcome_rows
from trialkit.app.pooling import series_document, series_text
from trialkit.app.trials import Trial, open_trial
from trialkit.domain.estimates import Interval
from trialkit.domain.outcomes import Outcome, Scale
from trialkit.errors import Problem, RequestError

if TYPE_CHECKING:
    from trialkit.statistics.series import MeanEffect, SeriesResult


def pool_folders(roots: tuple[Path, ...], *, level: float) -> Answer:
    """Pool finished trials: the same primary outcome and the same two conditions in each.

    Raises
    ------
    RequestError
        When a trial is not finished, the trials do not share one question, or two carry the same
        name of an athlete.
    UnanswerableError
        With fewer than two athletes that have a complete pair.
    """
    from trialkit.statistics.series import pool_series

    trials = [open_trial(root) for root in roots]
    for trial in trials:
        refuse_unasked_look(trial, asked=False)
    outcome = _shared_question(trials)
    differences = {t.plan.athlete: pair_differences(t, outcome) for t in trials}
    result = pool_series(differences, level=level)
    notes = list(result.notes)
    if alone := sorted(name for name, d in differences.items() if not d.size):
        notes.append(f"Athletes without a complete pair, left out: {', '.join(alone)}.")
    unit = outcome.unit
    if outcome.scale is Scale.LOG:
        result, unit = in_percent(result), "%"
    reference = trials[0].plan.reference.name
    condition = next(c for c in trials[0].plan.condition_names if c != reference)
    text = f"{condition} minus {reference}, {outcome.label} [{unit}]\n"
    document = {"outcome": outcome.name, "unit": unit, **series_document(result, notes)}
    return Answer(text + series_text(result, notes), document)


def pair_differences(trial: Trial, outcome: Outcome) -> NDArray[np.float64]:
    """Condition minus reference of every complete pair, on the scale of the analysis."""
    rows = outcome_rows(trial, outcome)
    if not rows:
        return np.empty(0)
    obs = observations(trial, outcome, rows)
    found = []
    for block in dict.fromkeys(obs.block.tolist()):
        value, given = obs.value[obs.block == block], obs.condition[obs.block == block]
        is_reference = given == obs.reference
        if is_reference.any() and (~is_reference).any():
            found.append(value[~is_reference].mean() - value[is_reference].mean())
    return np.array(found)


def in_percent(result: SeriesResult) -> SeriesResult:
    """Turn a result on logs into percent; standard errors become 100 times the log-scale ones."""

    def span(interval: Interval) -> Interval:
        return replace(interval, low=100 * expm1(interval.low), high=100 * expm1(interval.high))

    def mean(effect: MeanEffect) -> MeanEffect:
        estimate, se = 100 * expm1(effect.estimate), 100 * effect.se
        return replace(effect, estimate=estimate, se=se, ci=span(effect.ci))

    return replace(
        result,
        mean=mean(result.mean),
        mean_of_these=mean(result.mean_of_these),
        sd_individual=replace(
            result.sd_individual,
            value=100 * expm1(result.sd_individual.value),
            ci=span(result.sd_individual.ci),
        ),
        individuals=tuple(
            replace(
                one,
                raw=100 * expm1(one.raw),
                raw_se=100 * one.raw_se,
                shrunken=100 * expm1(one.shrunken),
                se=100 * one.se,
                ci=span(one.ci),
            )
            for one in result.individuals
        ),
        prediction_interval=span(result.prediction_interval),
        typical_error=100 * expm1(result.typical_error),
    )


def _shared_question(trials: list[Trial]) -> Outcome:
    """The primary outcome all trials share, after everything that differs was gathered."""
    first = trials[0].plan
    problems = []
    athletes: list[str] = []
    for trial in trials:
        plan, where = trial.plan, str(trial.folder.root)
        ours, theirs = first.primary, plan.primary
        if (
            ours is None
            or theirs is None
            or (ours.name, ours.unit, ours.scale)
            != (
                theirs.name,
                theirs.unit,
                theirs.scale,
            )
        ):
            problems.append(_differs(where, "another primary outcome, or none"))
        if set(plan.condition_names) != set(first.condition_names) or len(plan.conditions) != 2:
            problems.append(_differs(where, ", ".join(plan.condition_names)))
        elif plan.reference.name != first.reference.name:
            problems.append(_differs(where, f"the reference {plan.reference.name}"))
        if plan.athlete in athletes:
            problems.append(_differs(where, f"the athlete {plan.athlete!r} a second time"))
        athletes.append(plan.athlete)
    if problems:
        raise RequestError(problems)
    return next(o for o in first.outcomes if o == first.primary)


def _differs(where: str, found: str) -> Problem:
    return Problem(
        where=where,
        found=found,
        wrong="a series is made of different athletes on one protocol with two conditions.",
        fix="pool trials of the same question, each with its own name of the athlete.",
    )
