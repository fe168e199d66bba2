"""Planning by target, and the page that varies what is not known."""

from __future__ import annotations

import pytest

from trialkit.domain.outcomes import Scale
from trialkit.errors import UnanswerableError
from trialkit.planning.characteristics import operating_characteristics
from trialkit.planning.grids import Grid, SimulationSettings
from trialkit.planning.recommendation import percent
from trialkit.planning.sensitivity import sensitivity
from trialkit.planning.targets import targets

SMALL = SimulationSettings(replicates=8_000, seed=6)


def test_targets_agree_with_the_simulation(make_plan):
    plan = make_plan()
    answer = targets(plan)
    grid = Grid(
        blocks=(answer.blocks_for_power - 1, answer.blocks_for_power),
        effects=(answer.effect,),
    )
    short, enough = operating_characteristics(plan, grid=grid, settings=SMALL).rows
    assert short.power - 4 * short.mc_error < 0.8 < enough.power + 4 * enough.mc_error
    grid = Grid(blocks=(answer.blocks,), effects=(answer.smallest_effect,))
    (row,) = operating_characteristics(plan, grid=grid, settings=SMALL).rows
    assert abs(row.power - 0.8) < 4 * row.mc_error
    assert row.ci_halfwidth == pytest.approx(answer.half_width, rel=0.02)


def test_targets_on_the_log_scale_are_in_percent(make_plan):
    answer = targets(make_plan(scale=Scale.LOG))
    assert answer.unit == "%"
    assert answer.effect == 10.0
    # a factor grows faster than its log: the same design needs a little less than on raw units
    assert answer.smallest_effect == pytest.approx(8.3, abs=0.1)


def test_targets_need_pairs_and_a_yardstick(make_plan):
    with pytest.raises(UnanswerableError, match="pairs only"):
        targets(make_plan(conditions=3))
    with pytest.raises(UnanswerableError, match="measured against"):
        targets(make_plan(margin=None))
    given = targets(make_plan(margin=None), effect=1e-9, half_width=4.0)
    assert given.blocks_for_power is None
    assert given.blocks_for_precision > given.blocks


def test_noise_and_drift_are_varied(make_plan):
    page = sensitivity(make_plan(), settings=SMALL)
    assert len(page.cells) == 9
    chance = {(c.noise_ratio, c.drift): c.settled for c in page.cells}
    for drift in (0.0, 0.1, 0.3):
        assert chance[0.7, drift] > chance[1.0, drift] > chance[1.5, drift]
    assert chance[1.0, 0.0] > chance[1.0, 0.3]
    own = operating_characteristics(
        make_plan(), grid=Grid(blocks=(8,), effects=(10.0,)), settings=SMALL
    ).rows[0]
    middle = next(c for c in page.cells if (c.noise_ratio, c.drift) == (1.0, 0.0))
    assert middle.settled == own.settled
    assert all(percent(c) in page.reason for c in (min(chance.values()), max(chance.values())))


def test_an_interrupted_page_keeps_what_is_done(make_plan):
    def stop(progress):
        if progress.done > 0.6 * progress.total:
            raise KeyboardInterrupt

    page = sensitivity(make_plan(), settings=SMALL, progress=stop)
    assert page.interrupted
    assert 0 < page.replicates < SMALL.replicates
    # chunks go round the truths, so that each is known about as well
    assert len(page.cells) == 9
