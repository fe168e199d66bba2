"""Hills & Armitage (1979): a difference adjusted for the period, and the plain paired t."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.domain.observations import Observations
from trialkit.statistics.bayes import Evidence, posterior
from trialkit.statistics.fixed_effects import Terms
from trialkit.statistics.paired import fit_fixed_blocks

FILE = Path(__file__).parents[2] / "reference_data" / "hills_armitage_1979" / "checks.json"
CHECK = json.loads(FILE.read_text())["hills_armitage_1979_crossover"]
WANT = CHECK["results"]
DRUG_FIRST = np.array(CHECK["data"]["seq_drug_placebo"], float)
PLACEBO_FIRST = np.array(CHECK["data"]["seq_placebo_drug"], float)
REL = 1e-9  # closed forms in double precision


def near(name: str):
    return pytest.approx(WANT[name], rel=REL)


def test_plain_paired_difference():
    d = np.concatenate((DRUG_FIRST[:, 0] - DRUG_FIRST[:, 1], np.diff(PLACEBO_FIRST)[:, 0]))
    found = posterior(Evidence.from_differences(d))
    assert (found.mean, found.df) == (near("paired_mean"), WANT["paired_df"])
    assert found.mean / found.scale == near("paired_t")
    assert 2 * found.chance_below(0.0) == near("paired_p")
    assert found.interval().low == near("paired_ci95_low")
    assert found.interval().high == near("paired_ci95_high")


def test_difference_adjusted_for_the_period():
    values = np.concatenate((DRUG_FIRST, PLACEBO_FIRST))
    children, first = len(values), len(DRUG_FIRST)
    order = [["drug", "placebo"]] * first + [["placebo", "drug"]] * (children - first)
    obs = Observations(
        value=values.ravel(),
        condition=np.array(order).ravel(),
        block=np.repeat(np.arange(children), 2).astype(str),
        reference="placebo",
        position=np.tile([1.0, 2.0], children),
    )
    found = fit_fixed_blocks(obs, Terms(period_effect=True)).contrast("drug", "placebo")
    assert found.estimate == near("treatment")
    assert found.se == near("treatment_se")
    assert found.df == pytest.approx(WANT["df"])
    contrast = found.named("drug", "placebo", method="paired", level=0.95)
    assert contrast.p == near("p")
    assert (contrast.interval.low, contrast.interval.high) == (near("ci95_low"), near("ci95_high"))
    assert contrast.interval_90.low == near("ci90_low")
