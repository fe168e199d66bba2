"""Looks at the data: which were declared, what each one opens, and the level it may use."""

from __future__ import annotations

from collections import Counter

from trialkit.app.trials import Trial
from trialkit.errors import Problem, RequestError
from trialkit.journal import Draft, Kind
from trialkit.journal.records import AnalysisOpened, Departure, Look, Phase


def level_now(trial: Trial) -> tuple[float, str | None]:
    """Confidence level for an analysis now, and what to say about it.

    With declared looks the error is shared between them by the spending rule of the protocol; an
    undeclared look keeps the declared level and is marked as what it is.
    """
    declared = trial.plan.analysis
    if not declared.looks:
        return declared.level, None
    from trialkit.statistics.interim import interim_plan

    end = trial.plan.design.blocks
    looks = tuple(sorted({*declared.looks, end}))
    plan = interim_plan(
        looks,
        spending=declared.spending,
        alpha=1 - declared.level,
        conditions=trial.plan.design.block_size,
    )
    look = plan.at(complete_blocks(trial))
    if look is None:
        return declared.level, None
    return look.interval_level, (
        f"Looks after {', '.join(map(str, looks))} blocks were declared: at this one the interval "
        f"has level {100 * look.interval_level:.2f} % (|t| limit {look.limit:.2f}), so that all "
        f"looks together err at most {100 * plan.alpha:.0f} % of the time."
    )


def refuse_unasked_look(trial: Trial, *, asked: bool) -> None:
    """Keep the result of an unfinished trial closed unless a look was declared or asked for.

    Raises
    ------
    RequestError
        When the trial is not finished, no look is declared here, and nobody asked.
    """
    declared = complete_blocks(trial) in trial.plan.analysis.looks
    if trial.finished or asked or declared or not opening_drafts(trial):
        return
    left = trial.state.planned - len(trial.state.opened)
    raise RequestError(
        Problem(
            where=str(trial.folder.root),
            found=f"a trial with {left} periods to come"
            if left
            else "a trial whose last period waits for its result",
            wrong="looking at the result before the end is one more chance of a false verdict.",
            fix="finish the trial (record what was missed), or look with --interim; the look is "
            "recorded and told on the page.",
        )
    )


def opening_drafts(trial: Trial) -> list[Draft]:
    """Entries that tell what this analysis opens: which periods, and whether it is a look."""
    drafts = []
    periods = sorted(trial.state.opened)
    shown = trial.state.of(AnalysisOpened)
    if not shown or shown[-1].record.periods != tuple(periods):
        drafts.append(Draft(Kind.ANALYSIS_OPENED, {"purpose": "analysis", "periods": periods}))
        if not trial.finished:
            blocks = complete_blocks(trial)
            declared = blocks in trial.plan.analysis.looks
            drafts.append(Draft(Kind.LOOK, {"blocks": max(blocks, 1), "declared": declared}))
    return drafts


def opening_notes(trial: Trial) -> list[str]:
    """What has to be said about when the data were looked at."""
    looks = [t.record for t in trial.state.of(Look)]
    undeclared = sum(not look.declared for look in looks)
    level_note = level_now(trial)[1]
    notes = [level_note] if level_note else []
    if not trial.finished:
        notes.append("The trial is not finished: this is an interim look and is recorded as one.")
    if undeclared:
        notes.append(
            f"Interim looks that were not declared: {undeclared}. Each is one more chance of a "
            "false verdict, so the error rates stated no longer hold."
        )
    return notes


def complete_blocks(trial: Trial) -> int:
    """Count the blocks all of whose periods have a value."""
    aborted = trial.state.periods_with(Departure.ABORTED)
    held = {n for phase, n, _ in trial.state.values if phase is Phase.TRIAL} - aborted
    per_block = Counter(trial.state.opened[n].block for n in held if n in trial.state.opened)
    return sum(n == trial.plan.design.block_size for n in per_block.values())
