"""What a use case gives back: words for people, a document for programs, an exit status."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Answer:
    """The result of one use case. ``document`` follows the JSON contract of the command."""

    text: str
    document: dict[str, Any]
    exit_status: int = 0
