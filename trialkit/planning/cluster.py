"""The same chunks on an existing Dask cluster (extra ``trialkit[cluster]``)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.errors import Problem, RequestError
from trialkit.planning.chunks import Cell
from trialkit.planning.grids import SimulationSettings
from trialkit.planning.verdicts import Tally

_CONNECT_SECONDS = 10


def results_from_cluster(
    cells: list[Cell], batches: list[list[tuple[int, int, int]]], settings: SimulationSettings
) -> Iterator[tuple[int, Tally]]:
    """Hand the batches to the scheduler and yield counts as they come back.

    A batch whose worker dies is done again by another; its counts are the same wherever it is done.

    Raises
    ------
    RequestError
        When the extra is not installed or no scheduler answers at the address.
    """
    try:
        import distributed
    except ImportError as error:
        raise RequestError(_needs_extra()) from error
    from trialkit.planning.runners import run_batch

    dask: Any = distributed  # its functions carry no types
    try:
        client = dask.Client(settings.scheduler, timeout=_CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:
        raise RequestError(_no_scheduler(settings.scheduler or "")) from error
    with client:
        # Cells travel with every batch (a few kilobytes), so that no worker holds the only copy.
        futures = [client.submit(run_batch, cells, b, settings.seed, pure=False) for b in batches]
        for future in dask.as_completed(futures, loop=client.loop):
            yield from future.result()
            future.release()


def _needs_extra() -> Problem:
    return Problem(
        where="scheduler",
        found="no Dask in this installation",
        wrong="a cluster is reached through it.",
        fix="install the extra: pip install 'trialkit[cluster]'.",
    )


def _no_scheduler(address: str) -> Problem:
    return Problem(
        where="scheduler",
        found=address,
        wrong="no Dask scheduler answered there.",
        fix="start one with `dask scheduler` and give the address it prints, such as "
        "tcp://host:8786.",
    )
