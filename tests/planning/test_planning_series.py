"""Series: closed forms against simulation, and the batched analysis against the plain one."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from trialkit.errors import RequestError
from trialkit.planning.grids import SimulationSettings
from trialkit.planning.recommendation import percent
from trialkit.planning.series import SeriesTruth, athletes_for_power, series_precision
from trialkit.planning.series_grid import (
    SeriesAims,
    SeriesCosts,
    SeriesGrid,
    _one_chunk,
    plan_series,
    simulate_series,
)
from trialkit.statistics.series import pool_series

QUICK = SimulationSettings(replicates=10_000, seed=4)


@pytest.mark.parametrize("individual_sd", [0.0, 0.5, 2.0])
@pytest.mark.parametrize(("athletes", "pairs"), [(6, 2), (12, 4)])
def test_closed_forms_and_simulation_agree(athletes, pairs, individual_sd):
    truth = SeriesTruth(1.0, individual_sd, 1.0)
    closed = series_precision(athletes, pairs, truth)
    simulated = simulate_series(athletes, pairs, truth, settings=QUICK)
    for name in ("power_mean", "power_these", "power_difference"):
        wanted = getattr(closed, name)
        error = sqrt(wanted * (1 - wanted) / QUICK.replicates)
        assert abs(getattr(simulated, name) - wanted) < 4 * error, name
    # a variance from n athletes x 10,000 series: relative error sqrt(1 / (2 n R)), below 0.3 %
    assert simulated.se_individual == pytest.approx(closed.se_individual, rel=0.012)
    # estimated mean and variances only ever add to the error of the known ones
    assert simulated.se_shrunken > closed.se_shrunken * 0.988


def test_shrinkage_with_many_athletes_reaches_the_known_error():
    truth = SeriesTruth(1.0, 1.0, 1.0)
    closed = series_precision(300, 4, truth)
    simulated = simulate_series(300, 4, truth, settings=SimulationSettings(replicates=400, seed=1))
    assert simulated.se_shrunken == pytest.approx(closed.se_shrunken, rel=0.02)


def test_the_batched_analysis_is_the_plain_one():
    truth, shape = SeriesTruth(0.8, 0.7, 1.0), (7, 3, 40)
    found, _ = _one_chunk(shape, truth, 0.95, np.random.default_rng(8))
    rng = np.random.default_rng(8)
    own = 0.8 + 0.7 * rng.standard_normal((7, 1, 40))
    d = own + sqrt(2) * rng.standard_normal(shape)
    plain = [pool_series({str(i): d[i, :, r] for i in range(7)}) for r in range(40)]
    assert found[0] == sum(p.mean.p < 0.05 for p in plain)
    # the plain path counts athletes as differing by the same F ratio
    assert found[2] == sum(p.heterogeneity_p < 0.05 for p in plain)


def test_athletes_needed_for_the_mean():
    # our own computation elsewhere with the noncentral t; the normal formula says 18, 10, 8, 6, 5
    needed = [athletes_for_power(k, SeriesTruth(1.0, 0.5, 1.0)) for k in (1, 2, 3, 4, 6)]
    assert needed == [20, 12, 10, 9, 7]
    assert athletes_for_power(1, SeriesTruth(1e-6, 0.5, 1.0), most=1000) is None


def test_the_cheapest_option_that_reaches_the_aim():
    truth = SeriesTruth(1.5, 1.0, 2.0)
    dear_people = plan_series(truth, costs=SeriesCosts(100.0, 1.0), settings=QUICK)
    dear_periods = plan_series(truth, costs=SeriesCosts(0.0, 1.0), settings=QUICK)
    for plan in (dear_people, dear_periods):
        assert plan.for_mean is not None
        good = [o for o in plan.options if o.closed.power_mean >= 0.8]
        assert plan.for_mean.cost == min(o.cost for o in good)
        assert percent(plan.for_mean.closed.power_mean) in plan.reason
    assert dear_people.for_mean.closed.athletes < dear_periods.for_mean.closed.athletes


def test_an_aim_for_individuals_and_a_budget():
    truth = SeriesTruth(1.5, 1.0, 2.0)
    plan = plan_series(
        truth,
        costs=SeriesCosts(5.0, 1.0),
        aims=SeriesAims(power=0.99, se_individual=0.75, budget=150.0),
        settings=QUICK,
    )
    assert all(o.cost <= 150 for o in plan.options)
    assert plan.for_mean is None
    assert "No option is enough" in plan.reason
    assert plan.for_individuals.closed.se_shrunken <= 0.75
    with pytest.raises(RequestError, match="budget"):
        plan_series(truth, aims=SeriesAims(budget=1.0), settings=QUICK)


def test_an_interrupted_series_keeps_the_options_that_are_done():
    def stop_at_the_third(progress):
        if progress.done >= 3 * QUICK.replicates:
            raise KeyboardInterrupt

    truth, grid = SeriesTruth(1.0, 0.5, 1.0), SeriesGrid((6, 8), (2, 4))
    plan = plan_series(truth, grid=grid, settings=QUICK, progress=stop_at_the_third)
    assert plan.interrupted
    whole = plan_series(truth, grid=grid, settings=QUICK)
    assert plan.options == whole.options[:3]
    assert not whole.interrupted


def test_a_series_of_nobody_is_refused():
    with pytest.raises(RequestError, match="athletes"):
        series_precision(1, 3, SeriesTruth(1.0, 1.0, 1.0))
    with pytest.raises(RequestError, match="noise"):
        SeriesTruth(1.0, 1.0, 0.0)
