"""What to simulate, how, and what comes back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isfinite

from trialkit.domain.estimates import Verdict
from trialkit.errors import Problem, RequestError

CHUNK = 4096
"""Trials in one chunk. Each chunk has its own random stream, so this number is part of a result's
identity: changing it changes (within their error) all simulated figures."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Numbers of blocks and true effects to try.

    ``effects`` are gains (positive is better) in the unit of the margin; empty tries 0, 1, 2 and 3
    times the margin. ``target`` is the true effect the recommendation is made for (None: the one
    effect other than zero if there is just one, else twice the margin); it is always among the
    rows. ``blocks`` empty tries a ladder around the protocol's own number and looks for the fewest
    that reach the aim. ``wanted`` is the chance with which the target should be settled;
    ``half_width``, where given, is the aim instead: the median half-width of the interval.
    """

    blocks: tuple[int, ...] = ()
    effects: tuple[float, ...] = ()
    target: float | None = None
    wanted: float = 0.8
    half_width: float | None = None

    def __post_init__(self) -> None:
        problems = list(self._problems())
        if problems:
            raise RequestError(problems)

    def _problems(self) -> Iterator[Problem]:
        if any(b < 1 for b in self.blocks):
            yield Problem(
                where="blocks",
                found=", ".join(map(str, self.blocks)),
                wrong="a trial has at least one block.",
                fix="give whole numbers from 1 upwards.",
            )
        if not all(map(isfinite, self.effects)):
            yield Problem(
                where="effects",
                found=", ".join(map(str, self.effects)),
                wrong="a true effect is a number.",
                fix="give numbers in the unit of the smallest worthwhile change.",
            )
        if not 0 < self.wanted < 1:
            yield Problem(
                where="wanted",
                found=f"{self.wanted:g}",
                wrong="a chance lies between 0 and 1.",
                fix="use 0.8 unless you want to be surer.",
            )
        if self.half_width is not None and not 0 < self.half_width < float("inf"):
            yield Problem(
                where="half-width",
                found=f"{self.half_width:g}",
                wrong="it has to be above zero.",
                fix="give half the width the interval may have, in the unit of the margin.",
            )


@dataclass(frozen=True, slots=True)
class SimulationSettings:
    """How to simulate.

    ``replicates`` trials per number of blocks; ``workers`` processes on this machine;
    ``scheduler`` the address of a running Dask scheduler, which then does the work instead;
    ``memory_mb`` what all workers together may hold for their chunks (64 each; fewer workers start
    where it does not suffice); ``batch`` how many chunks a worker takes at once (None: as many as
    keep everyone busy). Workers, batch and scheduler never change a figure.
    """

    replicates: int = 20_000
    seed: int = 1
    workers: int = 1
    scheduler: str | None = None
    memory_mb: int = 2048
    batch: int | None = None

    def __post_init__(self) -> None:
        smallest = {"replicates": 100, "seed": 0, "workers": 1, "memory_mb": 64, "batch": 1}
        problems = [
            Problem(
                where=name.replace("_", " "),
                found=str(value),
                wrong=f"it has to be at least {least}.",
                fix=f"give {least} or more.",
            )
            for name, least in smallest.items()
            if (value := getattr(self, name)) is not None and value < least
        ]
        if problems:
            raise RequestError(problems)


@dataclass(frozen=True, slots=True)
class GridRow:
    """What the protocol finds out with so many blocks under a true effect.

    ``true_effect`` is a gain in ``OperatingCharacteristics.unit``; ``power`` the chance that the
    primary interval excludes zero; ``verdicts`` the chance of each verdict (empty without margin);
    ``wrong`` the chance of a verdict that says something false; ``settled`` the chance of a right
    verdict other than ``not settled``; ``ci_halfwidth`` the median half-width of the primary
    interval; ``mc_error`` the largest Monte-Carlo standard error among these chances;
    ``closed_form_power`` what the noncentral t says at best (every period held, noise just the
    typical error; None without a degree of freedom), which the simulation has to give too where
    ``closed_form_exact``; ``mean_blocks`` how many blocks a trial takes on average when declared
    looks may end it.
    """

    blocks: int
    true_effect: float
    power: float
    verdicts: Mapping[Verdict, float]
    wrong: float
    settled: float
    ci_halfwidth: float
    mc_error: float
    closed_form_power: float | None
    closed_form_exact: bool
    mean_blocks: float


@dataclass(frozen=True, slots=True)
class OperatingCharacteristics:
    """What a protocol can and cannot find out, by number of blocks and true effect.

    ``replicates`` is the number of simulated trials per number of blocks that were finished;
    ``asked`` the number wanted (it may be larger when the run was
    ``interrupted``). ``own_blocks`` is the
    protocol's own number. ``recommended_blocks`` is
    None when no number in the grid suffices; ``reason`` says why in one sentence.
    """

    rows: tuple[GridRow, ...]
    unit: str
    margin: float | None
    target: float
    own_blocks: int
    recommended_blocks: int | None
    reason: str
    replicates: int
    asked: int
    seed: int
    method: str
    interrupted: bool = False
    notes: tuple[str, ...] = ()
