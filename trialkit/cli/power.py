"""``trialkit power``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.output import JsonFlag, emit, say
from trialkit.cli.progress import progress_line


def command(
    protocol: Annotated[
        Path, typer.Argument(metavar="PROTOCOL", help="A protocol file, or a trial's folder.")
    ],
    blocks: Annotated[
        str,
        typer.Option(
            "--blocks", help="Numbers of blocks to try, such as 4,6,8 (left out: the fewest found)."
        ),
    ] = "",
    effects: Annotated[
        str,
        typer.Option("--effects", help="True effects to try, in the unit of the margin (0,1,2)."),
    ] = "",
    target: Annotated[
        float | None,
        typer.Option("--target", help="True gain the answer is for (left out: twice the margin)."),
    ] = None,
    wanted: Annotated[
        str, typer.Option("--wanted", help="Wanted chance to settle the target, 0.9 or 90.")
    ] = "",
    half_width: Annotated[
        float | None,
        typer.Option("--half-width", help="Wanted half-width of the interval, instead."),
    ] = None,
    sensitivity: Annotated[
        bool, typer.Option("--sensitivity", help="One page of what if: other noise, other drift.")
    ] = False,
    athletes: Annotated[
        str, typer.Option("--athletes", help="Plan a series: numbers of athletes, such as 6,8,10.")
    ] = "",
    pairs: Annotated[
        str, typer.Option("--pairs", help="Series: pairs of each, such as 2,4,6.")
    ] = "",
    individual_sd: Annotated[
        float | None,
        typer.Option("--individual-sd", help="Series: SD of true effects between athletes."),
    ] = None,
    cost_athlete: Annotated[
        float | None, typer.Option("--cost-athlete", help="Series: cost of an athlete (0).")
    ] = None,
    cost_period: Annotated[
        float | None, typer.Option("--cost-period", help="Series: cost of a period (1).")
    ] = None,
    budget: Annotated[
        float | None, typer.Option("--budget", help="Series: the most it may cost.")
    ] = None,
    own_error: Annotated[
        float | None,
        typer.Option("--own-error", help="Series: wanted error of an athlete's own effect."),
    ] = None,
    replicates: Annotated[
        int, typer.Option("--replicates", min=100, help="Simulated trials per number of blocks.")
    ] = 20_000,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the simulation.")] = 1,
    workers: Annotated[
        int, typer.Option("--workers", min=1, help="Processes on this machine.")
    ] = 1,
    scheduler: Annotated[
        str, typer.Option("--scheduler", help="Address of a running Dask scheduler.")
    ] = "",
    figure: Annotated[
        Path | None,
        typer.Option("--figure", metavar="FILE", help="Write the picture (svg, png, pdf)."),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Simulate the protocol as it will be run: the chance of each verdict, and how many blocks.

    Ctrl-C keeps what is done, tells it, and ends with exit status 130.

    Example: trialkit power my-trial/protocol.toml --blocks 4,6,8,12 --effects 0,1,2,3
    """
    from trialkit.app.planning import PowerRequest, SeriesRequest, power

    request = PowerRequest(
        blocks=blocks,
        effects=effects,
        target=target,
        wanted=wanted,
        half_width=half_width,
        sensitivity=sensitivity,
        series=SeriesRequest(
            athletes, pairs, individual_sd, cost_athlete, cost_period, budget, own_error
        ),
        replicates=replicates,
        seed=seed,
        workers=workers,
        scheduler=scheduler,
        figure=figure,
    )
    line = progress_line(quiet=as_json)
    try:
        result = power(protocol, request, tell=say, stages=line.stage if line else None)
    finally:
        if line:
            line.close()
    emit(result.text, result.document, as_json=as_json)
    if result.exit_status:
        raise typer.Exit(result.exit_status)
