"""Declared interim looks: the trial may stop as soon as its interval excludes zero."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.plans import Plan
from trialkit.planning.fits import Intervals
from trialkit.planning.methods import Answers, Declared, analyse
from trialkit.planning.trials import Trials
from trialkit.statistics.interim import interim_plan

_LIMIT_REPLICATES = 200_000


@dataclass(frozen=True, slots=True)
class Stage:
    """One look: after how many blocks, and the level of the interval reported there."""

    blocks: int
    level: float


def stages_of(plan: Plan, blocks: int) -> tuple[Stage, ...]:
    """The declared looks of a trial of ``blocks`` blocks, its end last.

    Levels are those that keep the overall error (``trialkit.statistics.interim``).
    """
    analysis = plan.analysis
    looks = [look for look in sorted(set(analysis.looks)) if 2 <= look < blocks]
    if not looks:
        return (Stage(blocks, analysis.level),)
    limits = interim_plan(
        [*looks, blocks],
        spending=analysis.spending,
        alpha=1 - analysis.level,
        conditions=len(plan.conditions),
        replicates=_LIMIT_REPLICATES,
    )
    return tuple(Stage(look.blocks, look.interval_level) for look in limits.looks)


@dataclass(frozen=True, eq=False)
class Course:
    """What each look would show, had the true effect been zero."""

    stages: tuple[Stage, ...]
    answers: tuple[Answers, ...]

    def ended(self, effect: float) -> tuple[Answers, NDArray[np.intp]]:
        """The answers at the look where each trial ends under a true effect, and its blocks."""
        blocks = np.full(self.answers[-1].verdict.size, self.stages[-1].blocks)
        last = self.answers[-1].intervals.moved(effect)
        columns = [last.low, last.high, last.inner_low, last.inner_high]
        verdict = self.answers[-1].verdict
        # From the last look backwards, so that the first look that stops a trial has the word.
        for stage, answers in zip(self.stages[-2::-1], self.answers[-2::-1], strict=True):
            here = answers.intervals.moved(effect)
            stops = here.excludes_zero
            own = (here.low, here.high, here.inner_low, here.inner_high)
            columns = [np.where(stops, a, b) for a, b in zip(own, columns, strict=True)]
            verdict = np.where(stops, answers.verdict, verdict)
            blocks = np.where(stops, stage.blocks, blocks)
        return Answers(Intervals(*columns), verdict), blocks


def course_of(trials: Trials, declaration: Declared, stages: tuple[Stage, ...]) -> Course:
    """Analyse the trials at every declared look."""
    return Course(
        stages,
        tuple(
            analyse(trials.first(stage.blocks), declaration, level=stage.level) for stage in stages
        ),
    )
