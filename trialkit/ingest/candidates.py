"""Which measure to choose: candidates compared on baseline recordings only, before the trial.

Choosing a measure after conditions have been opened is choosing by the answer. Such a comparison
is made only when asked for by name, and then marked as exploratory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log, log1p
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.estimates import Interval
from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.outcomes import Worthwhile
from trialkit.domain.recordings import Recording, SegmentRule
from trialkit.errors import Problem, UnanswerableError
from trialkit.ingest.measuring import measure
from trialkit.ingest.segments import find_segments
from trialkit.statistics.baseline import baseline_noise
from trialkit.statistics.noise import minimal_detectable_change, typical_error_interval

LEAST_REPEATS: Final = 3


@dataclass(frozen=True, slots=True)
class Candidate:
    """Noise of one measure over baseline repeats of one athlete.

    ``typical_error`` (with ``df`` and ``interval``) and ``mdc_single`` are in ``unit``, or in
    percent where ``unit`` is ``"%"`` because the margin was given so. ``signal_to_noise`` is the
    smallest worthwhile change over the typical error; None without a margin. Where there is no
    figure, ``reason`` says why and all figures are None.
    """

    name: str
    recipe: MeasureRecipe
    unit: str
    n: int
    mean: float | None = None
    typical_error: float | None = None
    df: float | None = None
    interval: Interval | None = None
    mdc_single: float | None = None
    signal_to_noise: float | None = None
    reason: str | None = None
    voids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CandidateComparison:
    """Candidates, the best signal to noise first, those without a figure last.

    ``exploratory`` is true when conditions had been opened already.
    """

    candidates: tuple[Candidate, ...]
    exploratory: bool
    notes: tuple[str, ...]


def compare_candidates(
    recordings: Sequence[Recording],
    recipes: Mapping[str, MeasureRecipe],
    *,
    rules: Sequence[SegmentRule] = (),
    worthwhile: Mapping[str, Worthwhile] | None = None,
    opened: int = 0,
    allow_opened: bool = False,
) -> CandidateComparison:
    """Compare measures by their noise over baseline recordings, in time order.

    Parameters
    ----------
    recordings
        Baseline or familiarised repeats of one athlete under one condition, at least three.
    recipes
        The candidate measures by name.
    rules
        How recordings are cut.
    worthwhile
        Smallest worthwhile change by candidate, in its unit or in ``%``.
    opened, allow_opened
        How many periods' conditions have been opened, and whether a comparison after that is
        wanted all the same (it is then marked exploratory).

    Raises
    ------
    UnanswerableError
        With too few recordings, or when conditions have been opened and that is not allowed.
    """
    _check(len(recordings), opened, allow_opened)
    margins = worthwhile or {}
    cuts = [find_segments(recording, rules) for recording in recordings]
    rows = []
    for name, recipe in recipes.items():
        taken = [measure(r, recipe, segments=c) for r, c in zip(recordings, cuts, strict=True)]
        value = np.array([np.nan if t.value is None else t.value for t in taken])
        unit = next((t.unit for t in taken if t.value is not None), taken[0].unit)
        voids = tuple(
            f"{r.name}: {t.reason}" for r, t in zip(recordings, taken, strict=True) if t.reason
        )
        row = Candidate(name, recipe, unit, int(np.isfinite(value).sum()), voids=voids)
        rows.append(_with_noise(row, value, margins.get(name)))
    rows.sort(key=lambda c: (c.reason is not None, -(c.signal_to_noise or 0.0)))
    return CandidateComparison(tuple(rows), opened > 0, tuple(_notes(rows, opened)))


def _check(n: int, opened: int, allow_opened: bool) -> None:
    if n < LEAST_REPEATS:
        raise UnanswerableError(
            Problem(
                "baseline",
                f"{n} recordings",
                f"noise cannot be told from fewer than {LEAST_REPEATS}.",
                "record more baseline repeats before the trial.",
            )
        )
    if opened and not allow_opened:
        raise UnanswerableError(
            Problem(
                "measure",
                f"{opened} periods already opened",
                "a measure chosen after conditions are known may have been chosen by the answer.",
                "keep the declared measure; or ask for the comparison as exploratory.",
            )
        )


def _with_noise(row: Candidate, value: NDArray[np.float64], margin: Worthwhile | None) -> Candidate:
    if row.n < LEAST_REPEATS:
        return replace(row, reason=f"{row.n} values, and {LEAST_REPEATS} are needed")
    order = np.flatnonzero(np.isfinite(value)).astype(np.float64)
    known = value[np.isfinite(value)]
    percent = margin is not None and margin.unit == "%" and row.unit != "%"
    if percent and known.min() <= 0:
        return replace(row, reason="a margin in percent needs values above zero")
    noise, df = _residual_sd(order, np.log(known) if percent else known)
    if noise == 0:
        return replace(row, mean=float(known.mean()), reason="all repeats are equal")
    # On the log scale figures are turned back to percent only for printing.
    shown = _percent if percent else float
    interval = typical_error_interval(noise, df)
    signal = None
    if margin is not None:
        signal = (log1p(margin.value / 100) if percent else margin.value) / noise
    return replace(
        row,
        unit="%" if percent else row.unit,
        mean=float(known.mean()),
        typical_error=shown(noise),
        df=df,
        interval=replace(interval, low=shown(interval.low), high=shown(interval.high)),
        mdc_single=shown(minimal_detectable_change(noise)),
        signal_to_noise=signal,
    )


def _residual_sd(order: NDArray[np.float64], value: NDArray[np.float64]) -> tuple[float, float]:
    """SD of one measurement with a linear drift over the repeats removed (from four repeats on)."""
    if value.size < 4:
        return float(np.std(value, ddof=1)), float(value.size - 1)
    found = baseline_noise(value, time=order)
    sd, df = found.typical_error, float(found.df)
    # Rounding leaves a trace of noise on a signal that has none.
    return (0.0 if sd < 1e-12 * max(1.0, float(np.abs(value).max())) else sd), df


def _percent(log_figure: float) -> float:
    return float(100 * np.expm1(log_figure))


def _notes(rows: Sequence[Candidate], opened: int) -> list[str]:
    notes = ["typical errors from baseline repeats, a linear drift removed (from four repeats on)"]
    if opened:
        notes.insert(0, f"EXPLORATORY: compared after {opened} periods had been opened")
    few = [c for c in rows if c.df is not None and c.df < 9]
    if few:
        wide = log(few[0].interval.high / few[0].interval.low) if few[0].interval else 0.0
        notes.append(
            f"{few[0].n} repeats tell a typical error only within a factor of "
            f"{np.exp(wide / 2):.1f} either way: close candidates cannot be told apart"
        )
    return notes
