"""The outcome table of a trial: one row per period, from what the journal holds in force."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from trialkit.app.estimating import logs
from trialkit.app.results import HELD_AT
from trialkit.app.trials import Trial
from trialkit.domain.observations import Observations
from trialkit.domain.outcomes import Outcome, Scale
from trialkit.journal.records import (
    Covariate,
    Departure,
    PeriodOpened,
    Phase,
    RecordingStored,
    Schedule,
)

_MOMENT = timedelta(seconds=1)


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

    Time is in days from the first analysed period as the periods were held, and in periods where
    that is not known.

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


def planned_starts(trial: Trial) -> dict[int, datetime]:
    """When each period was planned, as it stood before the period was opened."""
    opened = {t.record.period: t.at for t in trial.state.of(PeriodOpened)}
    starts: dict[int, datetime] = {}
    for told in trial.state.of(Schedule):
        for session in told.record.sessions:
            for period in session["periods"] if session["phase"] == Phase.TRIAL else ():
                number = period["number"]
                if number not in starts or told.at < opened.get(number, told.at + _MOMENT):
                    starts[number] = datetime.fromisoformat(period["starts"])
    return starts


def held_starts(trial: Trial) -> dict[int, datetime]:
    """When each opened period was really held, in the protocol's time zone.

    What was typed counts first, then the start of the period's recording, then its opening.
    """
    held = {t.record.period: t.at for t in trial.state.of(PeriodOpened)}
    for told in reversed(trial.state.of(RecordingStored)):
        stored = told.record
        if stored.started_at and stored.phase is Phase.TRIAL and stored.period in held:
            held[stored.period or 0] = datetime.fromisoformat(stored.started_at)
    for noted in trial.state.of(Covariate):
        if noted.record.name == HELD_AT and noted.record.phase is Phase.TRIAL:
            held[noted.record.period] = datetime.fromisoformat(str(noted.record.value))
    zone = ZoneInfo(trial.plan.calendar.time_zone)
    return {number: moment.astimezone(zone) for number, moment in held.items()}


def _times(trial: Trial, rows: tuple[Row, ...]) -> NDArray[np.float64]:
    held = held_starts(trial)
    first = held[rows[0].period]
    days = [(held[r.period] - first).total_seconds() / 86400 for r in rows]
    if any(later <= earlier for earlier, later in pairwise(days)):
        # Results typed in afterwards all at once: their order is known, their times are not.
        return np.array([r.period for r in rows], dtype=float)
    return np.array(days)
