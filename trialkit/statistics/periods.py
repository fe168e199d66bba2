"""Several measurements in one period: they share the period's chance and are no new periods."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.observations import Observations


def period_of(obs: Observations) -> NDArray[np.int_]:
    """Number the periods: entry i (n,) is the period of row i.

    Rows of one block and condition at the same time (or, without times, at the same place in the
    block) are measurements of one period. Without time and place every row is a period.
    """
    place = obs.time if obs.time is not None else obs.position
    if place is None:
        return np.arange(obs.n)
    keys = list(zip(obs.block.tolist(), obs.condition.tolist(), place.tolist(), strict=True))
    number = {key: i for i, key in enumerate(dict.fromkeys(keys))}
    return np.array([number[key] for key in keys])


def measurements_per_period(obs: Observations) -> NDArray[np.int_]:
    """Number of rows in each period."""
    return np.asarray(np.bincount(period_of(obs)))


def period_means(obs: Observations) -> Observations:
    """Average the measurements of each period, so that one row is left per period.

    Examples
    --------
    >>> trial = Observations(
    ...     np.array([1.0, 3.0, 5.0]), np.array(["a", "a", "b"]), np.array(["1", "1", "1"]),
    ...     reference="a", time=np.array([1.0, 1.0, 2.0]))
    >>> period_means(trial).value.tolist()
    [2.0, 5.0]
    """
    period = period_of(obs)
    first = np.unique(period, return_index=True)[1]
    if first.size == obs.n:
        return obs
    means = np.bincount(period, weights=obs.value) / np.bincount(period)
    return replace(obs.keep(np.isin(np.arange(obs.n), first)), value=means)
