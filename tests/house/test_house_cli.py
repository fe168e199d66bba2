"""The command line and the README agree, and the command starts light."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from trialkit.cli.main import COMMANDS, load_command

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CONTRACT = [
    "demo", "new", "check", "power", "randomise", "calendar", "next", "record", "ingest",
    "analyse", "report", "verify", "estimate", "reliability", "compare", "pool",
]  # fmt: skip
HEAVY = {"numpy", "pandas", "scipy", "statsmodels", "pingouin", "matplotlib", "pydantic", "rich"}


def options_of(name):
    return [
        option
        for parameter in load_command(name).params
        for option in parameter.opts
        if option.startswith("--") and option != "--help"
    ]


def section_of(name, text=README):
    found = re.search(rf"^### `trialkit {name}`$(.*?)(?=^##|\Z)", text, re.M | re.S)
    return found.group(1) if found else ""


def test_the_contract_names_every_command():
    assert list(COMMANDS) == CONTRACT


def flags_told(section):
    return set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", section))


@pytest.mark.parametrize("name", CONTRACT)
def test_readme_tells_every_command_and_flag(name):
    section = section_of(name)
    assert section, f"README has no heading for trialkit {name}"
    assert set(options_of(name)) - flags_told(section) == set()


@pytest.mark.parametrize("name", CONTRACT)
def test_every_command_has_help_with_an_example_and_json(name):
    assert "Example" in (load_command(name).help or "")
    assert "--json" in options_of(name)


def test_readme_flags_exist():
    for name in CONTRACT:
        told = flags_told(section_of(name))
        assert told <= set(options_of(name)), f"README tells flags that {name} does not have"


def test_help_imports_nothing_heavy():
    code = (
        "import sys; sys.argv = ['trialkit', '--help']\n"
        "from trialkit.cli.main import run\n"
        "try: run()\n"
        "except SystemExit: pass\n"
        "print('LOADED', *sorted(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split("LOADED", 1)[1].split())
    assert loaded & HEAVY == set()
    assert "trialkit.cli.main" in loaded


def told_commands(text):
    """Command lines in a text: the command's name and the flags given to it."""
    for line in re.findall(r"trialkit ([a-z]+ [^`\n|]*)", text):
        name, *words = line.partition("#")[0].split()
        if name in CONTRACT:
            yield name, {w for w in words if w.startswith("--")}


@pytest.mark.parametrize("page", ["README.md", "docs/guide.md", "docs/notebook.md"])
def test_command_lines_in_the_documents_exist(page):
    told = list(told_commands((ROOT / page).read_text(encoding="utf-8")))
    wrong = [(name, f) for name, flags in told for f in flags - {"--help", *options_of(name)}]
    assert wrong == []


def test_command_lines_are_found():
    assert list(told_commands("see `trialkit next DIR --code X`")) == [("next", {"--code"})]
