"""Estimate every outcome of a trial as declared, and record that the data were opened."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.app.answers import Answer
from trialkit.app.documents import estimate_document
from trialkit.app.outcome_table import Row, observations, outcome_rows
from trialkit.app.trials import Trial, open_trial
from trialkit.design.draws import Stream
from trialkit.design.schemes import reference_set
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Outcome, Role
from trialkit.errors import Problem, UnanswerableError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import AnalysisOpened, Look
from trialkit.report.content import OutcomeResult, PageContent

if TYPE_CHECKING:
    from trialkit.statistics.options import EstimateOptions

ENUMERATE_UP_TO = 100_000
SAMPLED_SEQUENCES = 9_999


def analyse(root: Path, *, at: datetime, who: str) -> Answer:
    """Estimate all outcomes, the primary first.

    Raises
    ------
    UnanswerableError
        When no outcome can be estimated from what was measured.
    """
    from trialkit.report.gallery import names_of
    from trialkit.report.terminal import summarise

    trial = open_trial(root)
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
    notes = opening_notes(trial)
    trial.add(opening_drafts(trial), at=at, who=who)
    content = PageContent(plan=trial.plan, estimates=answers, periods=(), generated_at="")
    text = [summarise(a, names_of(content, a) if a.estimate else None) for a in answers]
    return Answer("\n\n".join([*text, *notes]), analysis_document(trial, answers, notes))


def analyse_trial(trial: Trial) -> tuple[OutcomeResult, ...]:
    """Estimate all outcomes of a trial without recording anything; the primary comes first."""
    order = sorted(trial.plan.outcomes, key=lambda o: list(Role).index(o.role))
    return tuple(_answer(trial, outcome) for outcome in order)


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


def opening_drafts(trial: Trial) -> list[Draft]:
    """Entries that tell what this analysis opens: which periods, and whether it is a look."""
    drafts = []
    periods = sorted(trial.state.opened)
    shown = trial.state.of(AnalysisOpened)
    if not shown or shown[-1].record.periods != tuple(periods):
        drafts.append(Draft(Kind.ANALYSIS_OPENED, {"purpose": "analysis", "periods": periods}))
        if trial.state.next_period is not None or trial.current is not None:
            blocks = _complete_blocks(trial)
            declared = blocks in trial.plan.analysis.looks
            drafts.append(Draft(Kind.LOOK, {"blocks": max(blocks, 1), "declared": declared}))
    return drafts


def opening_notes(trial: Trial) -> list[str]:
    """What has to be said about when the data were looked at."""
    looks = [t.record for t in trial.state.of(Look)]
    undeclared = sum(not look.declared for look in looks)
    notes = []
    if trial.state.next_period is not None or trial.current is not None:
        notes.append("The trial is not finished: this is an interim look and is recorded as one.")
    if undeclared:
        notes.append(
            f"{undeclared} interim look(s) were not declared; each one more chance of a false "
            "verdict, so the error rates stated no longer hold."
        )
    return notes


def _complete_blocks(trial: Trial) -> int:
    held: dict[int, int] = {}
    for period in trial.done & trial.state.opened.keys():
        block = trial.state.opened[period].block
        held[block] = held.get(block, 0) + 1
    return sum(n == trial.plan.design.block_size for n in held.values())


def _answer(trial: Trial, outcome: Outcome) -> OutcomeResult:
    from trialkit.statistics.estimate import estimate

    rows = outcome_rows(trial, outcome)
    if not rows:
        return OutcomeResult(outcome, None, "No period has a usable value.")
    try:
        obs = observations(trial, outcome, rows)
        result = estimate(obs, options=_options(trial, outcome, obs, rows))
    except UnanswerableError as error:
        told = "; ".join(f"{p.found}: {p.wrong} {p.fix}" for p in error.problems)
        return OutcomeResult(outcome, None, told)
    return OutcomeResult(outcome, result)


def _options(
    trial: Trial, outcome: Outcome, obs: Observations, rows: tuple[Row, ...]
) -> EstimateOptions:
    from trialkit.statistics.options import EstimateOptions

    declared = trial.plan.analysis
    noise = outcome.typical_error
    sequences, exact = replayed_sequences(trial, obs, rows)
    return EstimateOptions(
        method=declared.method,
        level=declared.level,
        better=outcome.better,
        margin=outcome.analysis_margin,
        planned_noise=outcome.analysis_noise,
        planned_df=None if noise is None else noise.df,
        scale=str(outcome.scale),
        period_effect=declared.period_effect,
        trend=declared.trend == "linear",
        carryover=declared.carryover == "adjusted",
        reference_sequences=sequences,
        sequences_exact=exact,
        max_blocks=declared.max_blocks,
        effect_prior=declared.effect_prior,
        sensitivity=outcome.role is Role.PRIMARY,
    )


def replayed_sequences(
    trial: Trial, obs: Observations, rows: tuple[Row, ...]
) -> tuple[NDArray[np.int_] | None, bool]:
    """Sequences the scheme could have drawn, at the measured periods, as places in the levels.

    None where what was delivered is not what was drawn: the draw then justifies no replay.
    """
    opened = trial.state.opened
    if any(opened[r.period].condition != r.condition for r in rows):
        return None, False
    reference = reference_set(trial.plan)
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
