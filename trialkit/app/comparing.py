"""Is one change larger than the noise of the measurement?"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ChangeQuestion:
    """What is known about the noise and the margin, in the unit of the values."""

    typical_error: float
    df: float | None = None
    worthwhile: float | None = None
    better: str = "higher"
    level: float = 0.95
