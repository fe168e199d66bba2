"""The same chunks on a real local Dask scheduler, one of its two workers killed on the way."""

from __future__ import annotations

import os
import signal

import pytest

from trialkit.errors import RequestError
from trialkit.planning.characteristics import operating_characteristics
from trialkit.planning.grids import CHUNK, Grid, SimulationSettings

GRID = Grid(blocks=(5, 6))
REPLICATES = 12 * CHUNK


@pytest.mark.filterwarnings("default")
def test_a_killed_worker_changes_no_figure(make_plan):
    distributed = pytest.importorskip("distributed")
    plan = make_plan(missing=0.1, analysis={"trend": "linear"})
    alone = operating_characteristics(
        plan, grid=GRID, settings=SimulationSettings(replicates=REPLICATES, seed=9)
    )
    cluster = distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        silence_logs=50,
    )
    killed = []

    def kill_one(progress):
        if not killed and progress.done < progress.total / 2:
            killed.append(pids.pop())
            os.kill(killed[0], signal.SIGKILL)

    with cluster, distributed.Client(cluster, set_as_default=False) as client:
        pids = list(client.run(os.getpid).values())
        assert len(pids) == 2
        settings = SimulationSettings(
            replicates=REPLICATES, seed=9, scheduler=cluster.scheduler_address, batch=1
        )
        shared = operating_characteristics(plan, grid=GRID, settings=settings, progress=kill_one)
        alive = list(client.run(os.getpid).values())
    assert killed
    assert killed[0] not in alive
    assert shared == alone


@pytest.mark.filterwarnings("default")
def test_a_scheduler_that_does_not_answer_is_told(make_plan, monkeypatch):
    monkeypatch.setattr("trialkit.planning.cluster._CONNECT_SECONDS", 0.5)
    settings = SimulationSettings(replicates=500, scheduler="tcp://127.0.0.1:1")
    with pytest.raises(RequestError, match="no Dask scheduler answered"):
        operating_characteristics(make_plan(), settings=settings)
