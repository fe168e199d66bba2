"""Paired and mixed estimates as methods: contrasts with t, variance parts, assumptions."""

from __future__ import annotations

from scipy import stats

from trialkit.domain.observations import Observations
from trialkit.errors import UnanswerableError
from trialkit.statistics.method_result import MethodResult, evidence_of, left_out_note
from trialkit.statistics.mixed import MixedFit, fit_mixed
from trialkit.statistics.mixed_blocks import BlockFit
from trialkit.statistics.options import EstimateOptions, pairs_to_compare
from trialkit.statistics.paired import complete_blocks, fit_fixed_blocks
from trialkit.statistics.printed import counted

_MISSING_BLOCKS = (
    "Blocks with a missing period are left out: right when the reason for missing has nothing to "
    "do with the condition or the value."
)

_ZERO = (
    "The block variance is estimated at zero. That is an estimate, not proof that blocks do not "
    "differ; "
)
_AT_ZERO = _ZERO + (
    "the Kenward-Roger test is then slightly too ready to find a difference (5 to 6 % instead of "
    "5 %)."
)
_GUARDED = _ZERO + (
    "the noise is therefore taken at least as large as inside blocks, without which the test would "
    "be too ready to find a difference (5 to 6 % instead of 5 %)."
)


def paired(obs: Observations, options: EstimateOptions) -> MethodResult:
    """Differences inside complete blocks; t."""
    fit = fit_fixed_blocks(obs, options.terms)
    dropped = obs.n - int(complete_blocks(obs).sum())
    notes = [left_out_note(fit.left_out)] if fit.left_out else []
    if len(obs.levels) > 2:
        F, numerator, denominator = fit.f_test()
        p = float(stats.f.sf(F, numerator, denominator))
        notes.append(_joint_note(F, numerator, denominator, p=p))
    if dropped:
        verb = "is" if dropped == 1 else "are"
        told = counted(dropped, "period")
        notes.append(f"{told} in incomplete blocks {verb} not used by this method.")
    contrasts = tuple(
        fit.contrast(*pair).named(*pair, method="paired", level=options.level)
        for pair in pairs_to_compare(obs, options)
    )
    residual = fit.variance * fit.replicates
    return MethodResult(
        method="paired",
        contrasts=contrasts,
        residual=residual,
        residual_df=fit.df,
        evidence=evidence_of(contrasts, residual),
        missing=_MISSING_BLOCKS,
        notes=tuple(notes),
    )


def mixed(obs: Observations, options: EstimateOptions) -> MethodResult:
    """Random blocks, REML, Kenward-Roger."""
    return _mixed(obs, options, "kenward-roger")


def guarded(obs: Observations, options: EstimateOptions) -> MethodResult:
    """Random blocks as `mixed`, but noise never below that inside blocks: the tool's own choice."""
    return _mixed(obs, options, "kenward-roger", guarded=True)


def satterthwaite(obs: Observations, options: EstimateOptions) -> MethodResult:
    """Random blocks, REML, Satterthwaite df: a sensitivity method only."""
    return _mixed(obs, options, "satterthwaite")


def _mixed(
    obs: Observations, options: EstimateOptions, small_sample: str, *, guarded: bool = False
) -> MethodResult:
    fit = fit_mixed(obs, options.terms, guarded=guarded)
    name = "mixed" if small_sample == "kenward-roger" else "mixed, Satterthwaite"
    contrasts = tuple(
        fit.contrast(*pair, small_sample=small_sample).named(
            *pair, method=name, level=options.level
        )
        for pair in pairs_to_compare(obs, options)
    )
    return MethodResult(
        method=name,
        contrasts=contrasts,
        residual=fit.residual,
        residual_df=fit.residual_df,
        block=fit.block,
        evidence=evidence_of(contrasts, fit.residual),
        missing="Every measured period counts; whether a period is missing may depend on what was "
        "measured before, not on the value that was missed.",
        notes=_mixed_notes(fit, guarded=guarded),
    )


def _mixed_notes(fit: MixedFit, *, guarded: bool) -> tuple[str, ...]:
    notes = [left_out_note(fit.left_out)] if fit.left_out else []
    if len(fit.columns.levels) > 2:
        notes.append(_joint_mixed_note(fit))
    if fit.at_boundary:
        notes.append(_GUARDED if guarded and isinstance(fit.fit, BlockFit) else _AT_ZERO)
    return tuple(notes)


def _joint_mixed_note(fit: MixedFit) -> str:
    try:
        test = fit.f_test()
    except UnanswerableError:
        return "Too few periods for a test of all conditions at once."
    return _joint_note(test.F, test.numerator_df, test.denominator_df, p=test.p)


def _joint_note(F: float, numerator: int, denominator: float, *, p: float) -> str:
    return (
        f"All conditions at once: F({numerator}, {denominator:.3g}) = {F:.3g}, p = {p:.2g}; single "
        "comparisons carry p values adjusted for their number (Holm)."
    )
