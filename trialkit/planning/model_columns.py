"""The columns of the model for many trials whose orders and attended periods differ.

The terms are those of ``trialkit.statistics.fixed_effects``: place in the block, linear trend,
carryover of each condition; the condition of the verdict always comes last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.planning.quantiles import Floats
from trialkit.planning.trials import Trials


@dataclass(frozen=True, slots=True)
class Terms:
    """Which nuisance effects the declared model holds beside condition and block."""

    period_effect: bool = False
    trend: bool = False
    carryover: bool = False

    @property
    def any(self) -> bool:
        """Whether there is any."""
        return self.period_effect or self.trend or self.carryover


def model_columns(trials: Trials, terms: Terms) -> Floats:
    """Nuisance columns, conditions (that of the verdict last) and response: (q, periods, trials).

    Rows of missed periods are zero in every column.
    """
    periods, n = trials.y.shape
    number = np.arange(periods)
    columns: list[Floats] = []
    if terms.period_effect:
        places = range(1, trials.block_size)
        columns += [_spread(number % trials.block_size == place, n) for place in places]
    if terms.trend:
        columns.append(_spread(number - number.mean(), n))
    if terms.carryover:
        before = _condition_before(trials)
        columns += [(before == code).astype(float) for code in range(1, trials.conditions)]
    others = [*range(2, trials.conditions), 1]
    columns += [(trials.codes == code).astype(float) for code in others]
    stacked = np.stack([*columns, trials.y])
    if trials.present is not None:
        stacked *= trials.present
    return stacked


def _spread(column: Floats, trials: int) -> Floats:
    return np.broadcast_to(column.astype(float)[:, None], (column.size, trials))


def _condition_before(trials: Trials) -> Floats:
    """Code of the last period attended before each one; 0 where there is none."""
    if trials.present is None:
        return np.vstack([np.zeros_like(trials.codes[:1]), trials.codes[:-1]]).astype(float)
    before = np.zeros(trials.codes.shape)
    for t in range(1, trials.codes.shape[0]):
        before[t] = np.where(trials.present[t - 1], trials.codes[t - 1], before[t - 1])
    return before
