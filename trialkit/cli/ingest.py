"""``trialkit ingest``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli.flags import DirArgument, PhaseFlag, WhoFlag, name, now
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="Recordings: FIT, TCX, GPX, CSV, TSV, XLSX."),
    ],
    period: Annotated[
        int | None,
        typer.Option("--period", min=1, help="The period it belongs to; else the opened one."),
    ] = None,
    phase: PhaseFlag = "trial",
    accept_damaged: Annotated[
        bool,
        typer.Option(
            "--accept-damaged", help="Use what could be read of a damaged file; recorded."
        ),
    ] = False,
    align: Annotated[
        str,
        typer.Option(
            "--align",
            metavar="WAY",
            help="Join the files of several devices for one period: stamps, mark:NAME, "
            "signal:CHANNEL.",
        ),
    ] = "",
    read: Annotated[
        list[str] | None,
        typer.Option(
            "--read",
            metavar="KEY=VALUE",
            help="What a file leaves open: day_first=yes, decimal=,  channel.Puls=heart_rate ...",
        ),
    ] = None,
    candidates: Annotated[
        bool,
        typer.Option(
            "--candidates",
            help="Store nothing: compare the protocol's measures on these baseline recordings.",
        ),
    ] = False,
    explain: Annotated[
        bool, typer.Option("--explain", help="Show what was read, cut and removed for each value.")
    ] = False,
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Store recordings unchanged in the trial and compute the declared outcome measures.

    Example: trialkit ingest my-trial session-01.fit
    """
    if candidates:
        from trialkit.app.candidates import compare_measures

        found = compare_measures(folder, tuple(files), read=tuple(read or ()))
        emit(found.text, found.document, as_json=as_json)
        return
    from trialkit.app.ingesting import IngestRequest, ingest

    request = IngestRequest(
        files=tuple(files),
        period=period,
        phase=phase,
        accept_damaged=accept_damaged,
        explain=explain,
        align=align,
        read=tuple(read or ()),
    )
    result = ingest(folder, request, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
