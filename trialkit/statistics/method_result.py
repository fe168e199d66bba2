"""What every method hands to the dispatcher."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from trialkit.domain.estimates import Contrast
from trialkit.statistics.bayes import Evidence, NoisePrior


@dataclass(frozen=True, slots=True)
class MethodResult:
    """Contrasts and variance parts by one method.

    ``residual`` is the variance of one measurement with ``residual_df``; both None where the
    method has none. ``block`` is None where blocks are fixed effects. ``evidence`` is what the
    trial alone says about each contrast (empty where the method has no noise), ``borrowed`` the
    noise prior that was added to it. ``missing`` says what the method assumes about missing
    periods.
    """

    method: str
    contrasts: tuple[Contrast, ...]
    residual: float | None
    residual_df: float | None
    block: float | None = None
    phi: float | None = None
    evidence: tuple[Evidence, ...] = ()
    borrowed: NoisePrior | None = None
    missing: str = ""
    notes: tuple[str, ...] = ()


def evidence_of(contrasts: tuple[Contrast, ...], residual: float) -> tuple[Evidence, ...]:
    """Restate t contrasts as evidence: same centre, same SE, same df."""
    return tuple(
        Evidence(c.estimate, c.se**2 / residual, residual * c.df, c.df)
        for c in contrasts
        if c.se is not None and c.df is not None
    )


def left_out_note(names: Iterable[str]) -> str:
    """Say which nuisance columns were left out because others already carry them."""
    return "Left out because other columns of the model already carry it: " + ", ".join(names) + "."
