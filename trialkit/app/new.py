"""Start a trial folder from a ready protocol."""

from __future__ import annotations

import json
import re
from pathlib import Path

from trialkit.app.answers import Answer
from trialkit.app.folders import TrialFolder, write_file
from trialkit.errors import Problem, RequestError
from trialkit.protocol import json_schema, ready_protocols

SCHEMA_NAME = "trialkit-protocol.schema.json"


def new_trial(root: Path, *, template: str) -> Answer:
    """Write ``protocol.toml`` and its JSON Schema into a new or empty folder.

    Raises
    ------
    RequestError
        When there is no such template, or the folder holds a trial already.
    """
    ready = ready_protocols()
    problems = []
    if template not in ready:
        problems.append(
            Problem(
                where="--template",
                found=repr(template),
                wrong="there is no ready protocol of this name.",
                fix="use one of " + ", ".join(sorted(ready)) + ".",
            )
        )
    folder = TrialFolder(root)
    if root.is_file() or folder.protocol.exists() or folder.journal.exists():
        problems.append(
            Problem(
                where=str(root),
                found="a file" if root.is_file() else "a trial",
                wrong="a trial is never overwritten.",
                fix="choose a new folder.",
            )
        )
    if problems:
        raise RequestError(problems)
    text = ready[template].read_text(encoding="utf-8")
    write_file(folder.protocol, beside_schema(text).encode())
    write_file(root / SCHEMA_NAME, (json.dumps(json_schema(), indent=1) + "\n").encode())
    return Answer(
        text=(
            f"Started {root} from the ready protocol {template}.\n"
            f"Edit {folder.protocol}, then: trialkit check {root}"
        ),
        document={"folder": str(root), "protocol": str(folder.protocol), "template": template},
    )


def beside_schema(text: str) -> str:
    """Point the protocol's schema line at the copy in its own folder."""
    line = f"#:schema ./{SCHEMA_NAME}"
    changed, count = re.subn(r"\A#:schema .*$", line, text, count=1, flags=re.M)
    return changed if count else f"{line}\n{text}"
