"""The outcome table of a trial: one row per period, from what the journal holds in force."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from trialkit.app.estimating import logs
from trialkit.app.trials import Trial
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Outcome, Scale
from trialkit.journal.records import Departure, Phase


@dataclass(frozen=True, slots=True)
class Row:
    """One analysed period of one outcome, in the outcome's own unit."""

    period: int
    block: int
    position: int
    condition: str
    value: float


def outcome_rows(trial: Trial, outcome: Outcome) -> tuple[Row, ...]:
    """Rows of one outcome in time order: measured, not excluded, not aborted, as delivered."""
    aborted = trial.state.periods_with(Departure.ABORTED)
    left_out = aborted | trial.state.excluded(outcome.name).keys()
    delivered = trial.delivered()
    rows = []
    for (phase, period, name), told in trial.state.values.items():
        value = told.record.value
        if phase is not Phase.TRIAL or name != outcome.name or value is None:
            continue
        if period in left_out or period not in trial.state.opened:
            continue
        opened = trial.state.opened[period]
        rows.append(Row(period, opened.block, opened.position, delivered[period], value))
    return tuple(rows)


def observations(trial: Trial, outcome: Outcome, rows: tuple[Row, ...]) -> Observations:
    """Turn rows into observations on the scale of the analysis.

    Time is in days from the first analysed period where every period has a date, and in periods
    otherwise.

    Raises
    ------
    RequestError
        When a log-scale outcome has a value of zero or below.
    """
    value = np.array([r.value for r in rows], dtype=float)
    if outcome.scale is Scale.LOG:
        value = logs(value, where=outcome.name)
    return Observations(
        value=value,
        condition=np.array([r.condition for r in rows], dtype=np.str_),
        block=np.array([str(r.block) for r in rows], dtype=np.str_),
        reference=trial.plan.reference.name,
        position=np.array([r.position for r in rows], dtype=float),
        time=_times(trial, rows),
        name=outcome.name,
        unit=outcome.unit,
    )


def period_starts(trial: Trial) -> dict[int, datetime]:
    """Planned start of each period, from the latest schedule."""
    schedule = trial.state.schedule
    starts = {}
    for session in schedule.sessions if schedule else ():
        for period in session["periods"] if session["phase"] == Phase.TRIAL else ():
            starts[period["number"]] = datetime.fromisoformat(period["starts"])
    return starts


def _times(trial: Trial, rows: tuple[Row, ...]) -> NDArray[np.float64]:
    starts = period_starts(trial)
    if not rows or any(r.period not in starts for r in rows):
        return np.array([r.period for r in rows], dtype=float)
    first = starts[rows[0].period]
    days = [(starts[r.period] - first).total_seconds() / 86400 for r in rows]
    return np.array(days)
