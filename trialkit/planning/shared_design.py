"""Trials that share one design are fitted together: what depends on the design is done once.

Trials share their design when the order was fixed, and also when all blocks are complete and the
model has no term that depends on the order: exchanging periods within a block then changes nothing.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from trialkit.planning.fits import Fits
from trialkit.planning.fixed_design import RemlFit, prepare
from trialkit.planning.model_columns import Terms, model_columns
from trialkit.planning.serial_design import FEWEST_LEFT, SerialRemlFit
from trialkit.planning.small_matrices import factorise, squares
from trialkit.planning.trials import Trials


def fit_shared_design(
    trials: Trials, terms: Terms, *, serial: bool = False, guarded: bool = False
) -> Fits | None:
    """Fit by REML with Kenward-Roger error, or return None where the designs differ.

    Blocks are random; with ``serial`` there is correlation along the trial instead. ``guarded``
    is that of `RemlFit.fit`.
    """
    if trials.present is not None and (trials.present != trials.present[:, :1]).any():
        return None
    if (trials.codes != trials.codes[:, :1]).any():
        if serial or terms.any or trials.present is not None:
            return None
        trials = _in_one_order(trials)
        if (trials.codes != trials.codes[:, :1]).any():
            return None
    attended = np.ones(len(trials.y), bool) if trials.present is None else trials.present[:, 0]
    fit = _ready(
        trials.codes[:, 0].tobytes(),
        attended.tobytes(),
        (trials.block_size, trials.conditions),
        terms,
        serial=serial,
    )
    if fit is None:
        return Fits.without_answer(trials.y.shape[1])
    y = trials.y if trials.present is None else trials.y[attended]
    return fit.fit(y, guarded=True) if guarded and isinstance(fit, RemlFit) else fit.fit(y)


def _in_one_order(trials: Trials) -> Trials:
    """Put the periods of every block in the order of their condition codes."""
    shape = (-1, trials.block_size, trials.y.shape[1])
    codes, y = trials.codes.reshape(shape), trials.y.reshape(shape)
    places = np.argsort(codes, axis=1, kind="stable")
    return replace(
        trials,
        y=np.take_along_axis(y, places, axis=1).reshape(trials.y.shape),
        codes=np.take_along_axis(codes, places, axis=1).reshape(trials.y.shape),
    )


@lru_cache(maxsize=256)
def _ready(
    codes: bytes, attended: bytes, sizes: tuple[int, int], terms: Terms, *, serial: bool
) -> RemlFit | SerialRemlFit | None:
    """The design made ready, or None where it cannot answer."""
    here = np.frombuffer(attended, dtype=bool)
    order = np.frombuffer(codes, dtype=np.int8)[:, None]
    one = Trials(np.zeros((here.size, 1)), order, here[:, None], *sizes)
    columns = np.concatenate([here[None, :, None] * 1.0, model_columns(one, terms)[:-1]])
    products = squares(columns)
    kept = factorise(products, np.einsum("itr,itr->ir", columns, columns)).kept[:, 0]
    X = columns[kept][:, here, 0].T
    if serial:
        enough = len(X) - X.shape[1] >= FEWEST_LEFT
        return SerialRemlFit(X, np.flatnonzero(here).astype(float)) if enough else None
    block = (np.arange(here.size) // sizes[0])[here]
    if not kept[1 - sizes[1] :].all() or X.shape[1] >= len(X):
        return None
    fit = RemlFit(prepare(X, block, np.eye(X.shape[1])[-1]))
    return fit if fit.has_blocks else None
