"""``trialkit analyse``."""

from __future__ import annotations

from trialkit.cli.output import JsonFlag, emit
from trialkit.cli.who import DirArgument, WhoFlag, name, now


def command(folder: DirArgument, who: WhoFlag = "", as_json: JsonFlag = False) -> None:
    """Estimate every outcome as declared: difference, noise, sensitivity, verdict.

    Opening the data to the analyst is itself recorded in the journal; before the last period it
    counts as an interim look.

    Example: trialkit analyse my-trial
    """
    from trialkit.app.analysing import analyse

    result = analyse(folder, at=now(), who=name(who))
    emit(result.text, result.document, as_json=as_json)
