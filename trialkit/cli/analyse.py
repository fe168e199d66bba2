"""``trialkit analyse``."""

from __future__ import annotations

from trialkit.cli.flags import DirArgument, InterimFlag, WhoFlag, name, now
from trialkit.cli.output import JsonFlag, emit


def command(
    folder: DirArgument,
    interim: InterimFlag = False,
    who: WhoFlag = "",
    as_json: JsonFlag = False,
) -> None:
    """Estimate every outcome as declared: difference, noise, sensitivity, verdict.

    Opening the data to the analyst is itself recorded in the journal; before the last period it
    counts as an interim look.

    Example: trialkit analyse my-trial
    """
    from trialkit.app.analysing import analyse

    result = analyse(folder, interim=interim, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
