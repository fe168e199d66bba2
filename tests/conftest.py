"""What tests of several rooms share: running the command line in this process."""

from dataclasses import dataclass

import pytest

from trialkit.cli.main import run


@dataclass(frozen=True)
class Ran:
    """Exit status and output of one command."""

    status: int
    out: str
    err: str


@pytest.fixture
def trialkit(monkeypatch, capsys):
    """Run ``trialkit ARGUMENTS`` as a user would; a fault of its own is raised, not told."""
    monkeypatch.setenv("TRIALKIT_DEBUG", "1")
    monkeypatch.setenv("COLUMNS", "100")

    def call(*arguments):
        monkeypatch.setattr("sys.argv", ["trialkit", *map(str, arguments)])
        capsys.readouterr()
        status = 0
        try:
            run()
        except SystemExit as stop:
            status = int(stop.code or 0)
        told = capsys.readouterr()
        return Ran(status, told.out, told.err)

    return call
