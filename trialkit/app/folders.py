"""The folder of one trial: where its files are, and writing them whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from trialkit.errors import Problem, RequestError


@dataclass(frozen=True, slots=True)
class TrialFolder:
    """Paths of a trial's files."""

    root: Path

    @property
    def protocol(self) -> Path:
        """The plan, written by a person."""
        return self.root / "protocol.toml"

    @property
    def journal(self) -> Path:
        """The append-only store."""
        return self.root / "trial.db"

    @property
    def recordings(self) -> Path:
        """Original recordings, named by content."""
        return self.root / "recordings"

    @property
    def report(self) -> Path:
        """Generated files; can be deleted and rebuilt."""
        return self.root / "report"


def trial_folder(root: Path) -> TrialFolder:
    """Find a trial's folder.

    Raises
    ------
    RequestError
        When the folder is missing or holds no trial.
    """
    folder = TrialFolder(root)
    if root.is_dir() and (folder.protocol.is_file() or folder.journal.is_file()):
        return folder
    found = "no such folder" if not root.exists() else "no protocol.toml in it"
    if root.is_file():
        found = "a file"
    raise RequestError(
        Problem(
            where=str(root),
            found=found,
            wrong="this is not the folder of a trial.",
            fix="name the folder that holds protocol.toml, or start one: trialkit new DIR.",
        )
    )


def write_file(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: a temporary neighbour, synced, then moved into place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o644)  # noqa: PTH101 - mkstemp makes it private to its owner
        os.replace(name, path)  # noqa: PTH105 - the name comes from mkstemp
    except BaseException as error:
        if isinstance(error, OSError) and error.filename is None:
            error.filename = str(path)  # a full disk does not say which file it was about
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name)  # noqa: PTH108
        raise


def write_new_file(path: Path, data: bytes) -> None:
    """Write a file that must not exist yet.

    Raises
    ------
    RequestError
        When the file exists.
    """
    if path.exists():
        raise RequestError(
            Problem(
                where=str(path),
                found="a file of this name",
                wrong="it is not overwritten.",
                fix="choose another name or move the file away.",
            )
        )
    write_file(path, data)
