"""How far a long command is: one line on standard error, only where somebody watches."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Protocol, TextIO

_EVERY_S = 0.2
_SHOWN_AFTER_S = 0.5


class HowFar(Protocol):
    """What a stage tells: done and total in any unit, and the seconds left."""

    @property
    def done(self) -> int: ...  # noqa: D102
    @property
    def total(self) -> int: ...  # noqa: D102
    @property
    def seconds_left(self) -> float: ...  # noqa: D102


class ProgressLine:
    """A line that is written over and over, and wiped when the work is done."""

    def __init__(self, stream: TextIO) -> None:
        self._stream, self._width = stream, 0
        self._next = time.monotonic() + _SHOWN_AFTER_S

    def stage(self, name: str) -> Callable[[HowFar], None]:
        """What a stage calls now and then."""

        def tell(progress: HowFar) -> None:
            now = time.monotonic()
            if now >= self._next:
                self._next = now + _EVERY_S
                share = int(100 * progress.done / progress.total)
                self._write(f"{name}: {share} %, {_span(progress.seconds_left)} left")

        return tell

    def close(self) -> None:
        """Wipe the line."""
        if self._width:
            self._write("")
            self._stream.write("\r")
            self._stream.flush()
            self._width = 0

    def _write(self, text: str) -> None:
        self._stream.write("\r" + text.ljust(self._width))
        self._stream.flush()
        self._width = len(text)


def progress_line(*, quiet: bool) -> ProgressLine | None:
    """A line on standard error; None where nobody watches or only a document is wanted."""
    return None if quiet or not sys.stderr.isatty() else ProgressLine(sys.stderr)


def _span(seconds: float) -> str:
    """Seconds in words: 12 s, 3 min, 2.5 h.

    Examples
    --------
    >>> _span(11.6), _span(200), _span(9000)
    ('12 s', '3 min', '2.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
