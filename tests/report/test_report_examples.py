"""The committed example reports are those of the scripts, whole, marked and self-contained."""

from __future__ import annotations

import importlib.util
import platform
import re
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
REPORTS = ROOT / "reports"


def load_tool(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


MAKER = load_tool("make_example_reports")


@pytest.mark.parametrize("name", MAKER.BUILDERS)
def test_an_example_is_rebuilt_byte_for_byte(name, monkeypatch):
    committed = (REPORTS / f"{name}.html").read_bytes()
    # The page names the Python it was made with; every other version is pinned.
    made_with = re.search(rb"Computed with Python ([\d.]+)", committed).group(1).decode()
    monkeypatch.setattr(platform, "python_version", lambda: made_with)
    assert MAKER.BUILDERS[name]() == committed


def test_every_page_here_has_a_builder_a_mark_and_a_small_size():
    pages = {path.stem: path for path in REPORTS.glob("*.html")}
    assert pages.keys() == MAKER.BUILDERS.keys()
    for path in pages.values():
        text = path.read_text(encoding="utf-8")
        assert "Invented data: nobody was measured" in text
        assert len(text.encode()) < 1_500_000


def test_no_page_asks_anything_of_a_network_or_a_script():
    for path in REPORTS.glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert "<script" not in text
        assert "@import" not in text
        assert not re.search(r"https?://(?!www\.w3\.org)", text)
        assert not re.search(r"url\((?!#)", text)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("warm-up", "helped this athlete"),
        ("socks", "No difference worth having"),
        ("music", "would probably settle it"),
        ("screen", "serial correlation"),
        ("squad", "Nobody here is called a responder"),
    ],
)
def test_each_example_shows_what_it_is_for(name, said):
    assert said in (REPORTS / f"{name}.html").read_text(encoding="utf-8")


def test_the_readme_links_every_example_with_a_picture():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in MAKER.BUILDERS:
        assert f"reports/{name}.html" in readme
        assert f"reports/pictures/{name}.png" in readme
    for picture in (REPORTS / "pictures").iterdir():
        assert picture.stat().st_size < 200_000
