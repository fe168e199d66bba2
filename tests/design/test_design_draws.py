"""The stream of draws: fixed vectors anybody can repeat, and no value favoured."""

from __future__ import annotations

from collections import Counter
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from trialkit.design.draws import Stream
from trialkit.errors import RequestError

# printf 'trialkit-1:42:order:0' | sha256sum   (GNU coreutils), and the same for digest 1
DIGEST_0 = "3606c384c97ab686cd7442ab86ffdf03ea71059b11074f44ef2a86add3207ba7"
DIGEST_1 = "cda3c0d600292e61a94775001f606b68e9acf85388f9fa14cfdc88ca6236962a"


def test_words_are_the_digests_of_sha256sum() -> None:
    stream = Stream(42, "order")
    drawn = [stream.below(2**64) for _ in range(8)]
    text = DIGEST_0 + DIGEST_1
    assert drawn == [int(text[i : i + 16], 16) for i in range(0, 128, 16)]


def test_a_wide_integer_takes_two_words_most_significant_first() -> None:
    assert Stream(42, "order").below(2**128) == int(DIGEST_0[:32], 16)


def test_seed_and_label_open_separate_streams() -> None:
    drawn = {Stream(seed, label).below(2**64) for seed in range(5) for label in ("order", "rest")}
    assert len(drawn) == 10


def test_a_value_in_the_incomplete_last_run_is_thrown_away() -> None:
    # With n just above 2**63 only values below n are accepted: nearly half of all words are not.
    n = 2**63 + 1
    words = [int((DIGEST_0 + DIGEST_1)[i : i + 16], 16) for i in range(0, 128, 16)]
    accepted = [word for word in words if word < n]
    assert accepted != words
    stream = Stream(42, "order")
    assert [stream.below(n) for _ in accepted] == accepted


def test_one_choice_takes_no_word() -> None:
    stream = Stream(42, "order")
    assert stream.below(1) == 0
    assert stream.between(7, 7) == 7
    assert stream.below(2**64) == int(DIGEST_0[:16], 16)


@pytest.mark.parametrize("n", [2, 3, 6, 7, 10])
def test_integers_are_uniform(n: int) -> None:
    # Deterministic: this stream either passes or does not. 0.001 is the stated error of the test.
    stream = Stream(1, f"uniform-{n}")
    counts = Counter(stream.below(n) for _ in range(2000 * n))
    assert chisquare([counts[i] for i in range(n)]).pvalue > 0.001


def test_shuffles_are_uniform_over_all_orders() -> None:
    stream = Stream(2, "shuffle")
    counts: Counter[tuple[int, ...]] = Counter()
    for _ in range(12_000):
        items = [0, 1, 2, 3]
        stream.shuffle(items)
        counts[tuple(items)] += 1
    assert chisquare([counts[p] for p in permutations(range(4))]).pvalue > 0.001


def test_neighbouring_words_are_independent() -> None:
    stream = Stream(3, "serial")
    counts = Counter((stream.below(3), stream.below(3)) for _ in range(9000))
    assert chisquare([counts[i, j] for i in range(3) for j in range(3)]).pvalue > 0.001


@given(st.integers(0, 2**200), st.integers(1, 2**150))
@settings(max_examples=60, derandomize=True)
def test_integers_stay_in_range(seed: int, n: int) -> None:
    assert 0 <= Stream(seed, "range").below(n) < n


def test_a_negative_seed_is_refused() -> None:
    with pytest.raises(RequestError, match="seed"):
        Stream(-1, "order")
