"""The stream behind every draw: SHA-256 in counter mode, so that anybody can repeat it by hand.

Digest ``d`` (counting from 0) is the SHA-256 of the ASCII text ``trialkit-1:SEED:LABEL:d``. Its
64 hexadecimal digits are read as four words of 16 digits. An integer below ``n`` takes as many
words as ``n - 1`` needs (64 bits each, the first most significant); a value in the incomplete last
run of ``n`` is thrown away, so that no remainder is favoured. Nothing here depends on a platform,
a Python release or a library's generator, which is why a drawn order stays provable for ever:
``printf 'trialkit-1:42:order:0' | sha256sum`` shows the first four words of a draw.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from hashlib import sha256
from typing import Final, TypeVar

from trialkit.errors import Problem, RequestError

METHOD: Final = "sha256-counter-1"
_WORD_BITS: Final = 64
_WORDS_PER_DIGEST: Final = 4

T = TypeVar("T")


class Stream:
    """A repeatable stream of random integers for one seed and one purpose (``label``).

    Examples
    --------
    >>> stream = Stream(42, "order")
    >>> [stream.below(2) for _ in range(8)]
    [0, 1, 0, 1, 1, 0, 0, 0]
    """

    def __init__(self, seed: int, label: str) -> None:
        if seed < 0:
            raise RequestError(
                Problem(
                    where="seed",
                    found=str(seed),
                    wrong="a seed is a whole number from 0 upwards.",
                    fix="give 0 or a positive whole number.",
                )
            )
        self._prefix = f"trialkit-1:{seed}:{label}:"
        self._digests = 0
        self._words: list[int] = []

    def below(self, n: int) -> int:
        """Draw a whole number from 0 to ``n - 1``, equally likely; one choice takes no word."""
        if n == 1:
            return 0
        words = -(-(n - 1).bit_length() // _WORD_BITS)
        accepted = (1 << (_WORD_BITS * words)) // n * n
        while (value := self._take(words)) >= accepted:
            pass
        return value % n

    def between(self, low: int, high: int) -> int:
        """Draw a whole number from ``low`` to ``high``, both included."""
        return low + self.below(high - low + 1)

    def choose(self, items: Sequence[T]) -> T:
        """Draw one of ``items``, each equally likely."""
        return items[self.below(len(items))]

    def weighted(self, weights: Sequence[int]) -> int:
        """Draw a place in ``weights``, in proportion to its whole-number weight."""
        ticket = self.below(sum(weights))
        for place, weight in enumerate(weights):
            if ticket < weight:
                return place
            ticket -= weight
        raise ValueError("weights are whole numbers from 0 upwards, not all 0")

    def shuffle(self, items: MutableSequence[T]) -> None:
        """Put ``items`` in random order in place (Fisher and Yates, from the last place down)."""
        for last in range(len(items) - 1, 0, -1):
            other = self.below(last + 1)
            items[last], items[other] = items[other], items[last]

    def _take(self, words: int) -> int:
        value = 0
        for _ in range(words):
            value = value << _WORD_BITS | self._next_word()
        return value

    def _next_word(self) -> int:
        if not self._words:
            text = sha256(f"{self._prefix}{self._digests}".encode("ascii")).hexdigest()
            self._digests += 1
            # Reversed, because words are popped from the end.
            self._words = [int(text[i * 16 : i * 16 + 16], 16) for i in range(_WORDS_PER_DIGEST)]
            self._words.reverse()
        return self._words.pop()
