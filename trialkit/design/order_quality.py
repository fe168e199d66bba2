"""How good an order is: what a steady drift adds to the answer, what lasting noise does to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import Problem, RequestError


def drift_bias(sequence: Sequence[str], *, condition: str, reference: str) -> float:
    """What a drift of one unit per period adds to condition minus reference.

    It is the mean place of the condition less the mean place of the reference.

    Raises
    ------
    RequestError
        When the sequence lacks one of the two.

    Examples
    --------
    >>> [drift_bias(s, condition="B", reference="A") for s in ("ABAB", "AAAABBBB", "ABBA")]
    [1.0, 4.0, 0.0]
    """
    weights = contrast_weights(sequence, condition=condition, reference=reference)
    return float(weights @ np.arange(1, len(sequence) + 1))


def contrast_variance(
    sequence: Sequence[str], *, condition: str, reference: str, phi: float
) -> float:
    """Variance of the difference of two means when neighbouring periods correlate by ``phi``.

    Each measurement has variance 1, and periods ``k`` apart correlate by ``phi ** k`` (first-order
    autocorrelation; the variance is w'Rw with the weights of the two means).

    Raises
    ------
    RequestError
        When the sequence lacks one of the two conditions, or ``phi`` is not between -1 and 1.

    Examples
    --------
    >>> contrast_variance("AAAABBBB", condition="B", reference="A", phi=0.0)
    0.5
    """
    if not -1 < phi < 1:
        raise RequestError(
            Problem(
                where="phi",
                found=str(phi),
                wrong="a correlation of neighbouring periods lies between -1 and 1.",
                fix="give a number between -1 and 1.",
            )
        )
    weights = contrast_weights(sequence, condition=condition, reference=reference)
    place = np.arange(len(sequence))
    correlation = np.power(float(phi), np.abs(place[:, None] - place[None, :]))
    return float(weights @ correlation @ weights)


def contrast_weights(
    sequence: Sequence[str], *, condition: str, reference: str
) -> NDArray[np.float64]:
    """Weights (n,) which turn the measured values into mean of condition minus mean of reference.

    Raises
    ------
    RequestError
        When the sequence lacks one of the two.
    """
    absent = [name for name in (condition, reference) if name not in sequence]
    if absent:
        raise RequestError(
            Problem(
                where="sequence",
                found=" and ".join(absent) + " never applied",
                wrong="a difference needs both conditions.",
                fix="give a sequence that holds both.",
            )
        )
    labels = np.array(list(sequence))
    under, base = labels == condition, labels == reference
    weights: NDArray[np.float64] = under / under.sum() - base / base.sum()
    return weights
