"""How commands speak: text or one JSON document on stdout, everything else on stderr."""

from __future__ import annotations

import json
import math
import sys
from typing import Annotated, Any

import typer

JsonFlag = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else.")
]


def emit(text: str, document: dict[str, Any], *, as_json: bool) -> None:
    """Print the text for people, or the document as JSON."""
    if as_json:
        typer.echo(to_json(document))
    else:
        typer.echo(text)


def to_json(document: Any) -> str:
    """JSON with a NaN or an infinity as null, which is all that JSON allows."""
    return json.dumps(_plain(document), ensure_ascii=False, indent=2, allow_nan=False)


def say(text: str) -> None:
    """Tell the user something that is not the command's result."""
    typer.echo(text, err=True)


def ask_allowed() -> bool:
    """Whether a question can be put to somebody: only at a terminal."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
