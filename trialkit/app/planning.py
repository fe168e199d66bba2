"""What a protocol can and cannot find out, before anyone warms up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.answers import Answer
from trialkit.app.check import protocol_path
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError
from trialkit.protocol import load

if TYPE_CHECKING:
    from trialkit.app.planning_document import Planned
    from trialkit.planning.grids import Grid, SimulationSettings
    from trialkit.planning.runners import Watch
    from trialkit.planning.series_grid import SeriesPlan

INTERRUPTED = 130


@dataclass(frozen=True, slots=True)
class SeriesRequest:
    """A series to plan; ``athletes`` and ``pairs`` are lists as typed, such as ``6,8,10``."""

    athletes: str = ""
    pairs: str = ""
    individual_sd: float | None = None
    cost_athlete: float | None = None
    cost_period: float | None = None
    budget: float | None = None
    own_error: float | None = None


@dataclass(frozen=True, slots=True)
class PowerRequest:
    """What to try and how; ``blocks`` and ``effects`` are lists as typed, such as ``4,6,8``.

    ``wanted`` is a chance as typed (``0.9``, ``90`` or ``90 %``); without ``blocks`` the fewest
    that reach the aim are looked for.
    """

    blocks: str = ""
    effects: str = ""
    target: float | None = None
    wanted: str = ""
    half_width: float | None = None
    sensitivity: bool = False
    series: SeriesRequest = field(default_factory=SeriesRequest)
    replicates: int = 20_000
    seed: int = 1
    workers: int = 1
    scheduler: str = ""
    figure: Path | None = None


Stages = Callable[[str], "Watch"]
"""Given the name of a stage, returns what is told how far it is."""


def power(
    path: Path,
    request: PowerRequest,
    *,
    tell: Callable[[str], None],
    stages: Stages | None = None,
) -> Answer:
    """Simulate a protocol as it will be run and count its verdicts.

    An interrupt keeps what is done: the answer then says so and ends with exit status 130.

    Raises
    ------
    ProtocolError
        When the protocol has problems.
    RequestError
        When the request cannot be read or nothing in it fits the scheme.
    UnanswerableError
        When the protocol names no single primary outcome or no typical error.
    """
    from trialkit.app.planning_document import planned_text, power_document

    grid = _grid(request)
    _check_series(request.series)
    if request.figure is not None:
        from trialkit.report.power_picture import refuse_other_formats

        refuse_other_formats(request.figure)
    plan = load(protocol_path(path)).plan()
    planned = _simulate(plan, request, grid, stages)
    if request.figure is not None and planned.result.rows:
        from trialkit.report.power_picture import write_power_picture

        write_power_picture(planned.result, request.figure)
        tell(f"The picture is {request.figure}")
    if planned.interrupted:
        tell("Interrupted: what was simulated until then is kept and told.")
    status = INTERRUPTED if planned.interrupted else 0
    return Answer(planned_text(planned), power_document(planned), exit_status=status)


def _simulate(plan: Plan, request: PowerRequest, grid: Grid, stages: Stages | None) -> Planned:
    """All that was asked for, stage by stage; the stages after an interrupt are left out."""
    from trialkit.app.planning_document import Planned
    from trialkit.planning.characteristics import operating_characteristics
    from trialkit.planning.sensitivity import sensitivity
    from trialkit.planning.smallest import smallest_gain

    settings = _settings(request)

    def watch(stage: str) -> Watch | None:
        return None if stages is None else stages(stage)

    result = operating_characteristics(
        plan, grid=grid, settings=settings, progress=watch("simulating trials")
    )
    planned = Planned(plan, grid, result)
    for blocks in sorted(
        {r.blocks for r in result.rows} & set(grid.blocks or (result.own_blocks,))
    ):
        if planned.interrupted:
            return planned
        found = smallest_gain(
            plan,
            blocks=blocks,
            wanted=grid.wanted,
            settings=settings,
            progress=watch("looking for the smallest gain"),
        )
        planned.smallest += () if found is None else (found,)
    if request.sensitivity and not planned.interrupted:
        planned.what_if = sensitivity(
            plan, target=result.target, settings=settings, progress=watch("varying noise and drift")
        )
    if request.series.athletes and not planned.interrupted:
        planned.series = _series(plan, request, planned, watch("simulating series"))
    return planned


def _series(plan: Plan, request: PowerRequest, planned: Planned, watch: Watch | None) -> SeriesPlan:
    from trialkit.planning.gains import GainScale
    from trialkit.planning.grids import SimulationSettings
    from trialkit.planning.series import SeriesTruth
    from trialkit.planning.series_grid import SeriesAims, SeriesCosts, SeriesGrid, plan_series
    from trialkit.planning.targets import require_pairs

    require_pairs(plan)
    asked, scale = request.series, GainScale.of(plan)
    athletes = tuple(_whole(asked.athletes, "--athletes"))
    pairs = tuple(_whole(asked.pairs, "--pairs")) or SeriesGrid().pairs
    truth = SeriesTruth(
        effect=scale.inside(planned.result.target),
        individual_sd=scale.inside(asked.individual_sd or 0.0),
        noise=1.0,
    )
    own_error = None if asked.own_error is None else scale.inside(asked.own_error)
    return plan_series(
        truth,
        grid=SeriesGrid(athletes, pairs),
        costs=SeriesCosts(
            0.0 if asked.cost_athlete is None else asked.cost_athlete,
            1.0 if asked.cost_period is None else asked.cost_period,
        ),
        aims=SeriesAims(planned.grid.wanted, own_error, asked.budget),
        settings=SimulationSettings(min(request.replicates, 10_000), request.seed),
        progress=watch,
    )


def _grid(request: PowerRequest) -> Grid:
    from trialkit.planning.grids import Grid

    return Grid(
        blocks=tuple(_whole(request.blocks, "--blocks")),
        effects=tuple(_numbers(request.effects, "--effects", "numbers", "0,0.5,1")),
        target=request.target,
        wanted=_share(request.wanted),
        half_width=request.half_width,
    )


def _settings(request: PowerRequest) -> SimulationSettings:
    from trialkit.planning.grids import SimulationSettings

    return SimulationSettings(
        replicates=request.replicates,
        seed=request.seed,
        workers=request.workers,
        scheduler=request.scheduler or None,
    )


def _check_series(asked: SeriesRequest) -> None:
    """Refuse flags of a series without athletes, athletes without a spread, sizes below zero."""
    problems = []
    given = asked != SeriesRequest()
    if given and not asked.athletes:
        problems.append(_problem("--athletes", "nothing", "a series", "name numbers, as 6,8,10."))
    if given and asked.individual_sd is None:
        problems.append(
            _problem(
                "--individual-sd",
                "nothing",
                "how much true effects differ from athlete to athlete",
                "give their SD in the unit of the margin; 0 if they are all alike.",
            )
        )
    sizes = {
        "--individual-sd": asked.individual_sd,
        "--cost-athlete": asked.cost_athlete,
        "--cost-period": asked.cost_period,
        "--budget": asked.budget,
        "--own-error": asked.own_error,
    }
    problems += [
        Problem(flag, f"{size:g}", "it is no size.", "give a number of 0 or more.")
        for flag, size in sizes.items()
        if size is not None and not (isfinite(size) and size >= 0)
    ]
    if problems:
        raise RequestError(problems)


def _problem(flag: str, found: str, of_what: str, fix: str) -> Problem:
    return Problem(flag, found, f"planning a series needs {of_what}.", fix)


def _share(text: str) -> float:
    """A chance as typed: 0.9, 90 or 90 %."""
    if not text.strip():
        return 0.8
    try:
        number = float(text.replace("%", "").replace(",", ".").strip())
    except ValueError:
        raise RequestError(
            Problem("--wanted", repr(text), "it is not a chance.", "write it like 0.9 or 90.")
        ) from None
    return number / 100 if number > 1 or "%" in text else number


def _whole(text: str, flag: str) -> list[int]:
    numbers = _numbers(text, flag, "whole numbers", "4,6,8")
    if any(number != int(number) for number in numbers):
        raise RequestError(_no_list(text, flag, "whole numbers", "4,6,8"))
    return [int(number) for number in numbers]


def _numbers(text: str, flag: str, kind: str, example: str) -> list[float]:
    try:
        numbers = [float(part) for part in text.split(",") if part.strip()]
    except ValueError:
        raise RequestError(_no_list(text, flag, kind, example)) from None
    if not all(map(isfinite, numbers)):
        raise RequestError(_no_list(text, flag, kind, example))
    return numbers


def _no_list(text: str, flag: str, kind: str, example: str) -> Problem:
    return Problem(flag, repr(text), f"it is not a list of {kind}.", f"write it like {example}.")
