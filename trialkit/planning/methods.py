"""The protocol's own primary method, as it will choose itself in each simulated trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.domain.plans import Plan
from trialkit.planning.fits import Fits, Intervals
from trialkit.planning.fixed_blocks import fit_fixed_blocks
from trialkit.planning.flips import flip_intervals
from trialkit.planning.mixed_blocks import fit_mixed_blocks
from trialkit.planning.model_columns import Terms
from trialkit.planning.pairs import fit_complete_pairs_mixed
from trialkit.planning.serial_orders import fit_serial_orders
from trialkit.planning.shared_design import fit_shared_design
from trialkit.planning.trials import Trials
from trialkit.statistics.bayes import borrowed_df
from trialkit.statistics.choice import ENOUGH_DF, FEWEST_DF_WITH_BORROWED


@dataclass(frozen=True, slots=True)
class Declared:
    """What the protocol declares about the analysis: method, level, terms, noise to borrow."""

    method: str
    level: float
    terms: Terms
    borrowed_df: float | None


def declared(plan: Plan) -> Declared:
    """Read the declaration off a plan."""
    analysis, outcome = plan.analysis, plan.primary
    typical = None if outcome is None else outcome.typical_error
    return Declared(
        method=analysis.method,
        level=analysis.level,
        terms=Terms(
            period_effect=analysis.period_effect,
            trend=analysis.trend == "linear",
            carryover=analysis.carryover == "adjusted",
        ),
        borrowed_df=None if typical is None or typical.df is None else borrowed_df(typical.df),
    )


@dataclass(frozen=True, eq=False)
class Answers:
    """Intervals of many trials, and which of the trials may carry a verdict."""

    intervals: Intervals
    verdict: NDArray[np.bool_]


def analyse(trials: Trials, declaration: Declared, *, level: float | None = None) -> Answers:
    """Analyse each trial by the declared method; ``auto`` chooses trial by trial.

    The rules are those of ``trialkit.statistics.choice``: complete blocks by differences inside
    them, incomplete ones by REML with Kenward-Roger error; where differences inside blocks leave
    fewer than three degrees of freedom declared noise is borrowed, or no verdict is given.
    ``level`` overrides the declared one, as interim looks do.
    """
    level = declaration.level if level is None else level
    blocks, complete = complete_blocks(trials)
    df = _inner_df(trials)
    enough, borrows = df >= ENOUGH_DF, declaration.borrowed_df is not None
    own_and_borrowed = df >= FEWEST_DF_WITH_BORROWED
    if declaration.method == "randomisation":
        return Answers(flip_intervals(trials, level), enough)
    if declaration.method != "auto":
        if declaration.method == "paired":
            enough = (blocks - 1) * (trials.conditions - 1) >= ENOUGH_DF
        if declaration.method == "bayes" and borrows:
            enough = own_and_borrowed
        fits = _FITTERS[declaration.method](trials, declaration)
        return Answers(Intervals.of(fits, level), enough)
    borrow = ~enough & borrows
    borrow &= ~complete | (trials.conditions == 2)
    chosen = np.where(borrow, "bayes", np.where(complete, "paired", "guarded"))
    fits = Fits.without_answer(chosen.size)
    for name in ("paired", "guarded", "bayes"):
        places = np.flatnonzero(chosen == name)
        if places.size == chosen.size:
            fits = _FITTERS[name](trials, declaration)
        elif places.size:
            fits = fits.put(places, _FITTERS[name](trials.pick(places), declaration))
    return Answers(Intervals.of(fits, level), enough | (borrow & own_and_borrowed))


def complete_blocks(trials: Trials) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Blocks per trial that hold every condition, and whether no attended period lies outside."""
    shape = (-1, trials.block_size, trials.y.shape[1])
    codes = trials.codes.reshape(shape)
    here = np.ones(codes.shape, bool) if trials.present is None else trials.present.reshape(shape)
    if trials.present is None and trials.conditions == trials.block_size == 2:
        full = codes[:, 0] != codes[:, 1]
        return full.sum(axis=0), full.all(axis=0)
    full = np.ones(codes[:, 0].shape, bool)
    for code in range(trials.conditions):
        full &= ((codes == code) & here).any(axis=1)
    tidy = np.all(full | ~here.any(axis=1), axis=0)
    return full.sum(axis=0), np.asarray(tidy)


def _inner_df(trials: Trials) -> NDArray[np.intp]:
    """Degrees of freedom inside blocks: comparisons made in them, less those estimated."""
    if trials.present is None and trials.conditions == trials.block_size == 2:
        return complete_blocks(trials)[0] - 1
    shape = (-1, trials.block_size, trials.y.shape[1])
    codes = trials.codes.reshape(shape)
    here = np.ones(codes.shape, bool) if trials.present is None else trials.present.reshape(shape)
    held = np.stack([((codes == c) & here).any(axis=1) for c in range(trials.conditions)])
    made = np.maximum(held.sum(axis=0) - 1, 0).sum(axis=0)
    return np.asarray(made - (held.any(axis=1).sum(axis=0) - 1))


def _paired(trials: Trials, declaration: Declared) -> Fits:
    return fit_fixed_blocks(trials, declaration.terms)


def _mixed(trials: Trials, declaration: Declared) -> Fits:
    terms, fits = declaration.terms, None
    if trials.conditions == trials.block_size == 2 and not terms.any:
        fits = fit_complete_pairs_mixed(trials)
    if fits is None:
        fits = fit_shared_design(trials, terms)
    return fit_mixed_blocks(trials, terms) if fits is None else fits


def _guarded(trials: Trials, declaration: Declared) -> Fits:
    """The mixed model with noise never below that inside blocks: what ``auto`` chooses."""
    fits = fit_shared_design(trials, declaration.terms, guarded=True)
    return fit_mixed_blocks(trials, declaration.terms, guarded=True) if fits is None else fits


def _borrowing(trials: Trials, declaration: Declared) -> Fits:
    """Own noise by differences in complete blocks (pairs) or by the mixed model, then the prior."""
    in_pairs = trials.conditions == 2 and not declaration.terms.any
    blocks, complete = complete_blocks(trials)
    by_difference = complete | (in_pairs & (blocks > 0))
    fits = Fits.without_answer(complete.size)
    for fitter, mask in ((_paired, by_difference), (_mixed, ~by_difference)):
        places = np.flatnonzero(mask)
        if places.size:
            fits = fits.put(places, fitter(trials.pick(places), declaration))
    return fits if declaration.borrowed_df is None else fits.borrowing(declaration.borrowed_df)


def _serial(trials: Trials, declaration: Declared) -> Fits:
    fits = fit_shared_design(trials, declaration.terms, serial=True)
    return fit_serial_orders(trials, declaration.terms) if fits is None else fits


_FITTERS = {
    "paired": _paired,
    "mixed": _mixed,
    "guarded": _guarded,
    "serial": _serial,
    "bayes": _borrowing,
}
