"""Flags that several commands share; the only place where the command line looks at a clock."""

from __future__ import annotations

import getpass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer


def decimal(text: str | float) -> float:
    """Read a number with a decimal point or comma."""
    try:
        return float(str(text).replace(",", "."))
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a number; write it like 4.5 or 4,5.") from None


WhoFlag = Annotated[
    str,
    typer.Option("--who", help="Who does this; the login name if left out.", show_default=False),
]
DirArgument = Annotated[Path, typer.Argument(metavar="DIR", help="The trial's folder.")]
TableArgument = Annotated[
    Path, typer.Argument(metavar="TABLE", help="A long table: CSV, TSV or XLSX, one row per value.")
]

ReadFlag = Annotated[
    list[str] | None,
    typer.Option(
        "--read",
        metavar="KEY=VALUE",
        help="What a file leaves open: decimal=,  day_first=yes, sheet=NAME ...",
    ),
]
TypicalErrorFlag = Annotated[
    float | None,
    typer.Option(
        "--typical-error", parser=decimal, help="Noise SD of one measurement, in the same unit."
    ),
]
TypicalErrorDfFlag = Annotated[
    float | None,
    typer.Option("--typical-error-df", parser=decimal, help="Its degrees of freedom."),
]
WorthwhileFlag = Annotated[
    float | None,
    typer.Option("--worthwhile", parser=decimal, help="Smallest worthwhile change, the margin."),
]
BetterFlag = Annotated[str, typer.Option("--better", help="higher or lower.")]
InterimFlag = Annotated[
    bool, typer.Option("--interim", help="Look before the last period; recorded as a look.")
]
PhaseFlag = Annotated[str, typer.Option("--phase", help="trial, familiarisation or baseline.")]
LevelFlag = Annotated[float, typer.Option("--level", parser=decimal, help="Confidence level.")]


def now() -> datetime:
    """The present moment, with the local offset from UTC."""
    return datetime.now(UTC).astimezone()


def name(given: str) -> str:
    """The name to sign with."""
    return given or getpass.getuser()
