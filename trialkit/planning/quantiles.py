"""Fast look-ups for quantities that depend on one number: tables on a uniform grid, t quantiles."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]


class UniformTable:
    """Linear interpolation in a table of equally spaced points.

    Faster than a search because the place in the table is known; arguments outside the range get
    the nearest end.
    """

    def __init__(self, low: float, high: float, values: Floats) -> None:
        self._low = low
        self._per_unit = (values.size - 1) / (high - low)
        self._values = np.append(values, values[-1])
        self._rise = np.append(np.diff(values), [0.0, 0.0])
        self._last = values.size - 1

    def __call__(self, at: Floats) -> Floats:
        """Return the interpolated values at ``at`` (any shape)."""
        place = np.clip((at - self._low) * self._per_unit, 0.0, self._last)
        index = place.astype(np.intp)
        result: Floats = self._values.take(index) + (place - index) * self._rise.take(index)
        return result


@cache
def _t_table(level: float) -> UniformTable:
    inverse = np.linspace(0.0, 1.0, 16_385)
    df = 1 / np.maximum(inverse, 1e-9)
    return UniformTable(0.0, 1.0, special.stdtrit(df, (1 + level) / 2))


def t_multiplier(level: float, df: Floats | float) -> Floats | float:
    """Return how many standard errors a two-sided interval of ``level`` reaches to each side.

    Many df are looked up in a table (relative error below 1e-7); below 1 they count as 1.

    Examples
    --------
    >>> round(t_multiplier(0.95, 7.0), 4)
    2.3646
    """
    if isinstance(df, float):
        return float(special.stdtrit(max(df, 1.0), (1 + level) / 2))
    return _t_table(level)(1 / np.maximum(df, 1.0))
