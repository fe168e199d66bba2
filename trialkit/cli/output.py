"""How commands speak: text or one JSON document on stdout, everything else on stderr."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer

JsonFlag = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else.")
]


def emit(text: str, document: dict[str, Any], *, as_json: bool) -> None:
    """Print the text for people, or the document as JSON."""
    if as_json:
        from trialkit.app.documents import to_json

        typer.echo(to_json(document))
    else:
        typer.echo(text)


def say(text: str) -> None:
    """Tell the user something that is not the command's result."""
    typer.echo(text, err=True)


def ask_allowed() -> bool:
    """Whether a question can be put to somebody: only at a terminal."""
    return sys.stdin.isatty() and sys.stderr.isatty()
