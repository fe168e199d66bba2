from __future__ import annotations

import numpy as np
import pytest

from trialkit.domain.observations import Observations
from trialkit.errors import RequestError

VALUE = np.array([1.0, 2.0, 3.0])
CONDITION = np.array(["b", "a", "c"])
BLOCK = np.array(["1", "1", "2"])


def test_the_reference_comes_first_among_the_levels() -> None:
    assert Observations(VALUE, CONDITION, BLOCK, reference="b").levels == ("b", "a", "c")


def test_keep_takes_rows_of_every_column() -> None:
    obs = Observations(VALUE, CONDITION, BLOCK, reference="b", time=np.array([1.0, 2.0, 3.0]))
    kept = obs.keep(np.array([True, False, True]))
    assert (kept.n, kept.condition.tolist(), kept.position) == (2, ["b", "c"], None)
    assert kept.time is not None
    assert kept.time.tolist() == [1.0, 3.0]


def test_every_problem_is_reported_at_once() -> None:
    with pytest.raises(RequestError) as caught:
        Observations(
            np.array([1.0, np.nan, 3.0]),
            CONDITION,
            BLOCK[:2],
            reference="z",
            position=np.array([1.0, np.inf, 1.0]),
            time=np.array([1.0, 2.0, np.nan]),
        )
    assert [p.where for p in caught.value.problems] == [
        "block",
        "position",
        "time",
        "value",
        "reference",
    ]
    assert "1 of 3" in caught.value.problems[1].found
