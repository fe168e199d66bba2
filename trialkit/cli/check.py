"""``trialkit check``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.output import JsonFlag, emit


def command(
    protocol: Annotated[
        Path, typer.Argument(metavar="PROTOCOL", help="A protocol file, or a trial's folder.")
    ],
    repair: Annotated[
        Path | None,
        typer.Option(
            "--repair", metavar="FILE", help="Write a repaired protocol to this new file."
        ),
    ] = None,
    protocol_report: Annotated[
        Path | None,
        typer.Option(
            "--protocol-report",
            metavar="FILE",
            help="Write the protocol's checklist to this file (.html or .csv).",
        ),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Check a protocol file and list what threatens its answer, each threat with its size.

    Exit status: 0 sound, 2 the file has problems, 4 a threat leaves the question without an answer.

    Example: trialkit check my-trial/protocol.toml --repair repaired.toml
    """
    from trialkit.app.check import check_protocol

    result = check_protocol(protocol, repair_to=repair, report_to=protocol_report)
    emit(result.text, result.document, as_json=as_json)
    if result.exit_status:
        raise typer.Exit(result.exit_status)
