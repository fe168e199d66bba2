"""Orders of conditions against published and independently computed figures.

See SOURCE.md in reference_data/{williams_1949, ar1_contrasts, smallest_p, drift_of_orders,
draw_stream}.
"""

from __future__ import annotations

import json
from hashlib import sha256
from itertools import pairwise
from math import factorial
from pathlib import Path
from typing import Any

import pytest

from trialkit.design.blocks import ShuffledBlocks
from trialkit.design.draws import Stream
from trialkit.design.order_quality import contrast_variance, drift_bias
from trialkit.design.relabelled import RelabelledTables, williams_table
from trialkit.design.restricted import RestrictedOrders
from trialkit.design.squares import LatinSquares

REFERENCE = Path(__file__).parents[2] / "reference_data"


def figures(folder: str, name: str = "expected.json") -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((REFERENCE / folder / name).read_text(encoding="utf-8"))
    return loaded


WILLIAMS = figures("williams_1949")
SQUARES = figures("williams_1949", "data.json")
DRIFTS = figures("drift_of_orders")
VARIANCES = figures("ar1_contrasts")
SMALLEST_P = figures("smallest_p")
DRAWS = figures("draw_stream")


@pytest.mark.parametrize("order", [2, 3, 4, 5, 6])
def test_published_williams_squares_are_in_the_reference_set(order: int) -> None:
    letters = tuple("ABCDEF"[:order])
    rows = SQUARES[f"n{order}"]
    possible = RelabelledTables(letters, order * len(rows), table=williams_table(order))
    assert possible.contains("".join(rows))
    # One exchange within the first row spoils the balance.
    spoilt = rows[0][1] + rows[0][0] + rows[0][2:] + "".join(rows[1:])
    assert not possible.contains(spoilt)


@pytest.mark.parametrize("order", [2, 3, 4, 5, 6])
def test_williams_squares_have_the_published_balance(order: int) -> None:
    rows = williams_table(order)
    followers = [pair for row in rows for pair in pairwise(row)]
    assert len(rows) == WILLIAMS[f"n{order}_sequences"]
    assert len(set(followers)) == WILLIAMS[f"n{order}_ordered_pairs"]
    counts = {followers.count(pair) for pair in followers}
    assert counts == {WILLIAMS[f"n{order}_times_each_pair"]}


@pytest.mark.parametrize("order", [2, 3, 4, 5])
def test_latin_squares_are_as_many_as_published(order: int) -> None:
    squares = LatinSquares(tuple("ABCDE"[:order]), order**2)
    assert squares.count() == WILLIAMS[f"latin_squares_order{order}"]


@pytest.mark.parametrize("order", [4, 5])
def test_reduced_latin_squares_are_as_many_as_published(order: int) -> None:
    # All squares = reduced squares * n! * (n - 1)!: conditions and all rows but one permuted.
    squares = LatinSquares(tuple("ABCDE"[:order]), order**2).count()
    reduced = squares // (factorial(order) * factorial(order - 1))
    assert reduced == WILLIAMS[f"reduced_order{order}"]


@pytest.mark.parametrize("order", DRIFTS)
def test_drift_adds_the_published_amount(order: str) -> None:
    assert drift_bias(order, condition="B", reference="A") == pytest.approx(
        DRIFTS[order], abs=1e-12
    )


@pytest.mark.parametrize("key", VARIANCES)
def test_variance_under_autocorrelation(key: str) -> None:
    order, phi = key.split("_rho")
    variance = contrast_variance(order, condition="A", reference="B", phi=float(phi))
    # A sum of 64 products: rounding stays below 1e-14.
    assert variance == pytest.approx(VARIANCES[key], rel=1e-12)


def printed(value: float, figure: float) -> bool:
    """Whether ``value`` rounds to ``figure`` at one, two or three printed digits."""
    return any(
        float(f"{value:.{digits}g}") == pytest.approx(figure, rel=1e-9) for digits in (1, 2, 3)
    )


@pytest.mark.parametrize("pairs", [3, 4, 5, 6, 7, 8, 10])
def test_smallest_p_of_the_ways_to_randomise_pairs(pairs: int) -> None:
    names = ("A", "B")
    early_late = tuple(i % 2 for i in range(2 * pairs))
    sets = {
        "independent_pairs": ShuffledBlocks(names, 2 * pairs),
        "balanced_pairs": RestrictedOrders(names, 2 * pairs, slots=early_late, block_size=2),
        "complete_randomisation": RestrictedOrders(names, 2 * pairs),
    }
    for way, possible in sets.items():
        assert printed(possible.smallest_p, SMALLEST_P[way][str(pairs)]), way


def test_sequences_of_randomised_blocks_of_three() -> None:
    for blocks, count in SMALLEST_P["blocks_of_3_sequences"].items():
        assert ShuffledBlocks(("A", "B", "C"), 3 * int(blocks)).count() == count


@pytest.mark.parametrize("key", [key for key in DRAWS if "digest" not in key])
def test_draws_repeat_what_a_shell_and_sha256sum_draw(key: str) -> None:
    seed, pairs = map(int, key.split())
    codes = ShuffledBlocks(("A", "B"), 2 * pairs).pick(Stream(seed, "order"))
    assert "".join(map(str, codes[::2])) == DRAWS[key]


def test_the_hash_is_sha_256() -> None:
    # FIPS 180-4, and the digest as sha256sum prints it.
    vectors = {
        "abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        "": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
        "trialkit-1:42:order:0": DRAWS["digest 42:order:0"],
    }
    assert {text: sha256(text.encode()).hexdigest() for text in vectors} == vectors
    assert Stream(42, "order").below(2**64) == int(DRAWS["digest 42:order:0"][:16], 16)
