"""Serial correlation as a method of estimation."""

from __future__ import annotations

import numpy as np

from trialkit.domain.observations import Observations
from trialkit.errors import Problem, RequestError
from trialkit.statistics.fixed_effects import assemble, condition_columns, nuisance_columns
from trialkit.statistics.method_result import MethodResult, evidence_of, left_out_note
from trialkit.statistics.options import EstimateOptions, pairs_to_compare
from trialkit.statistics.serial import STEADIEST_PHI, SerialDesign, fit_serial

_CALIBRATION = (
    "The serial model takes what blocks share for correlation along time. In randomised pairs it "
    "errs on the safe side (wrong in 1 to 5 % of trials without an effect); where one condition "
    "comes before the other and a drift is not modelled it is wrong in up to 19 %."
)
_HELD = (
    f"Neighbouring periods are correlated by more than {STEADIEST_PHI:g}: values wander more than "
    "they scatter, and the small-sample correction is held at what it is for that correlation. "
    "Model the drift as a trend, or compare inside blocks."
)


def serially(obs: Observations, options: EstimateOptions) -> MethodResult:
    """Correlation phi^|t - s| along the trial's time, without a block effect.

    Raises
    ------
    RequestError
        When the table has no time.
    UnanswerableError
        When a condition is not estimable or there are too few periods.
    """
    if obs.time is None:
        raise RequestError(
            Problem(
                where="serial",
                found="no time in the table",
                wrong="correlation along the trial needs to know when each period was.",
                fix="name the column with period numbers, days or times.",
            )
        )
    columns, left_out = assemble(
        nuisance_columns(obs, options.terms), condition_columns(obs), np.ones((obs.n, 1))
    )
    fit = fit_serial(obs.value, SerialDesign.of(columns.matrix, obs.time))
    contrasts = tuple(
        fit.contrast(columns.contrast(*pair)).named(*pair, method="serial", level=options.level)
        for pair in pairs_to_compare(obs, options)
    )
    notes = [_CALIBRATION]
    if fit.held:
        notes.append(_HELD)
    if left_out:
        notes.append(left_out_note(left_out))
    return MethodResult(
        method="serial",
        contrasts=contrasts,
        residual=fit.variance,
        residual_df=fit.variance_df,
        phi=fit.phi,
        evidence=evidence_of(contrasts, fit.variance),
        missing="Every measured period counts at its own time; whether a period is missing may "
        "depend on what was measured before, not on the value that was missed.",
        notes=tuple(notes),
    )
