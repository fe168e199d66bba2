"""``trialkit power``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.output import JsonFlag, emit, say


def command(
    protocol: Annotated[
        Path, typer.Argument(metavar="PROTOCOL", help="A protocol file, or a trial's folder.")
    ],
    blocks: Annotated[
        str, typer.Option("--blocks", help="Numbers of blocks to try, such as 4,6,8.")
    ] = "",
    effects: Annotated[
        str,
        typer.Option("--effects", help="True effects to try, in the unit of the margin (0,1,2)."),
    ] = "",
    replicates: Annotated[
        int, typer.Option("--replicates", min=100, help="Simulated trials per cell.")
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

    Example: trialkit power my-trial/protocol.toml --blocks 4,6,8,12 --effects 0,1,2,3
    """
    from trialkit.app.planning import PowerRequest, power

    request = PowerRequest(
        blocks=blocks,
        effects=effects,
        replicates=replicates,
        seed=seed,
        workers=workers,
        scheduler=scheduler,
        figure=figure,
    )
    result = power(protocol, request, tell=say)
    emit(result.text, result.document, as_json=as_json)
