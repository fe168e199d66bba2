"""Estimate every outcome of a trial as declared, and record that the data were opened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.app.answers import Answer
from trialkit.app.documents import estimate_document
from trialkit.app.looks import (
    level_now,
    opening_drafts,
    opening_notes,
    refuse_unasked_look,
)
from trialkit.app.outcome_table import Row, observations, outcome_rows
from trialkit.app.page_log import amendments
from trialkit.app.trials import Trial, open_trial
from trialkit.design.draws import Stream
from trialkit.design.schemes import block_length, reference_set
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Outcome, Role
from trialkit.errors import Problem, UnanswerableError
from trialkit.report.content import OutcomeResult, PageContent

if TYPE_CHECKING:
    from trialkit.domain.estimates import Estimate
    from trialkit.statistics.options import EstimateOptions

ENUMERATE_UP_TO = 2_000_000
SAMPLED_SEQUENCES = 9_999


def analyse(root: Path, *, interim: bool = False, at: datetime, who: str) -> Answer:
    """Estimate all outcomes, the primary first.

    Raises
    ------
    RequestError
        When the trial is not finished and nobody asked for an interim look.
    UnanswerableError
        When no outcome can be estimated from what was measured.
    """
    from trialkit.report.gallery import names_of
    from trialkit.report.terminal import summarise
    from trialkit.report.words.first_screen import late_changes

    trial = open_trial(root)
    refuse_unasked_look(trial, asked=interim)
    answers = analyse_trial(trial)
    if all(a.estimate is None for a in answers):
        raise UnanswerableError(
            Problem(
                where=a.outcome.label,
                found="no estimate",
                wrong=a.why_none,
                fix="record or ingest what is missing.",
            )
            for a in answers
        )
    if drafts := opening_drafts(trial):
        trial.add(drafts, at=at, who=who)
    notes = [*opening_notes(open_trial(root)), *late_changes(tuple(amendments(trial)))]
    content = PageContent(plan=trial.plan, estimates=answers, periods=(), generated_at="")
    text = [summarise(a, names_of(content, a) if a.estimate else None) for a in answers]
    return Answer("\n\n".join([*text, *notes]), analysis_document(trial, answers, notes))


def analyse_trial(trial: Trial) -> tuple[OutcomeResult, ...]:
    """Estimate all outcomes of a trial without recording anything; the primary comes first."""
    order = sorted(trial.plan.outcomes, key=lambda o: list(Role).index(o.role))
    level, _ = level_now(trial)
    return adjusted_secondaries(tuple(_answer(trial, outcome, level) for outcome in order))


def adjusted_secondaries(answers: tuple[OutcomeResult, ...]) -> tuple[OutcomeResult, ...]:
    """Adjust the p values of the declared secondary outcomes together, after Holm (1979)."""
    from trialkit.statistics.multiplicity import holm

    found = {
        (answer.outcome.name, contrast.condition, contrast.reference): contrast.p
        for answer in answers
        if answer.outcome.role is Role.SECONDARY and answer.estimate is not None
        for contrast in answer.estimate.contrasts
        if contrast.p is not None
    }
    adjusted = dict(zip(found, holm(list(found.values())), strict=True)) if found else {}
    return tuple(_with_adjusted(answer, adjusted) for answer in answers)


def _with_adjusted(
    answer: OutcomeResult, adjusted: Mapping[tuple[str, str, str], float]
) -> OutcomeResult:
    if answer.estimate is None:
        return answer
    contrasts = tuple(
        replace(c, p_adjusted=float(adjusted[key]))
        if (key := (answer.outcome.name, c.condition, c.reference)) in adjusted
        else c
        for c in answer.estimate.contrasts
    )
    return replace(answer, estimate=replace(answer.estimate, contrasts=contrasts))


def analysis_document(
    trial: Trial, answers: tuple[OutcomeResult, ...], notes: list[str]
) -> dict[str, object]:
    """Document of all outcomes for ``analyse`` and for the report's data."""
    outcomes = []
    for a in answers:
        about = {"outcome": a.outcome.name, "role": str(a.outcome.role)}
        if a.estimate is None:
            outcomes.append({**about, "contrasts": [], "verdict": None, "notes": [a.why_none]})
        else:
            outcomes.append({**about, **estimate_document(a.estimate)})
    return {"trial": trial.plan.title, "outcomes": outcomes, "notes": notes}


def _answer(trial: Trial, outcome: Outcome, level: float) -> OutcomeResult:
    from trialkit.statistics.estimate import estimate

    rows = outcome_rows(trial, outcome)
    if not rows:
        return OutcomeResult(outcome, None, "No period has a usable value.")
    if empty := _without_rows(trial, rows):
        why = f"No period under “{empty}” has a usable value, so that there is nothing to compare."
        return OutcomeResult(outcome, None, why)
    try:
        obs = observations(trial, outcome, rows)
        sequences, exact = replayed_sequences(trial, obs, rows)
        options = replace(
            _options(trial, outcome, level),
            reference_sequences=sequences,
            sequences_exact=exact,
        )
        result = estimate(obs, options=options)
        if sequences is None and not exact:
            result = _without_replay(result)
    except UnanswerableError as error:
        told = "; ".join(f"{p.found}: {p.wrong} {p.fix}" for p in error.problems)
        return OutcomeResult(outcome, None, told)
    return OutcomeResult(outcome, result, condition=_headline_condition(trial))


def _without_rows(trial: Trial, rows: tuple[Row, ...]) -> str:
    """Label of the first side of the comparison under which nothing was measured, if any."""
    sides = (trial.plan.reference.name, _headline_condition(trial))
    there = {r.condition for r in rows}
    labels = {c.name: c.label for c in trial.plan.conditions}
    return next((labels[name] for name in sides if name not in there), "")


def _without_replay(result: Estimate) -> Estimate:
    """Take out the randomisation test where the draw does not justify it."""
    kept = tuple(row for row in result.sensitivity if row.method != "randomisation")
    why = (
        "The drawn order cannot be replayed over what was delivered and measured, so that no "
        "randomisation test is justified by the draw"
        + ("." if result.method != "randomisation" else ": read this one with care.")
    )
    return replace(result, sensitivity=kept, notes=(*result.notes, why))


def _options(trial: Trial, outcome: Outcome, level: float) -> EstimateOptions:
    from trialkit.statistics.options import EstimateOptions

    declared = trial.plan.analysis
    noise = outcome.typical_error
    return EstimateOptions(
        method=declared.method,
        level=level,
        better=outcome.better,
        margin=outcome.analysis_margin,
        planned_noise=outcome.analysis_noise,
        planned_df=None if noise is None else noise.df,
        scale=str(outcome.scale),
        period_effect=declared.period_effect,
        trend=declared.trend == "linear",
        carryover=declared.carryover == "adjusted",
        max_blocks=declared.max_blocks,
        primary_condition=_headline_condition(trial),
        effect_prior=declared.effect_prior,
        sensitivity=outcome.role is Role.PRIMARY,
    )


def replayed_sequences(
    trial: Trial, obs: Observations, rows: tuple[Row, ...]
) -> tuple[NDArray[np.int_] | None, bool]:
    """Sequences the scheme could have drawn, at the measured periods, as places in the levels.

    None where what was delivered is not what was drawn (the draw then justifies no replay), and
    where every swap within pairs could have been drawn: those are counted exactly, however many.
    """
    opened = trial.state.opened
    if any(opened[r.period].condition != r.condition for r in rows):
        return None, False
    reference = reference_set(trial.plan)
    if block_length(trial.plan) == 2 and reference.count() == 2**trial.plan.design.blocks:
        return None, True
    exact = reference.count() <= ENUMERATE_UP_TO
    codes = (
        reference.array(ENUMERATE_UP_TO)
        if exact
        else reference.sample(Stream(0, "replay"), SAMPLED_SEQUENCES)
    )
    place = {name: i for i, name in enumerate(obs.levels)}
    if not set(reference.conditions) <= place.keys():
        return None, False
    to_level = np.array([place[name] for name in reference.conditions])
    return to_level[codes[:, [r.period - 1 for r in rows]]], exact


def _headline_condition(trial: Trial) -> str:
    """The condition whose comparison with the reference carries the verdict: the first named."""
    reference = trial.plan.reference.name
    return next(name for name in trial.plan.condition_names if name != reference)
