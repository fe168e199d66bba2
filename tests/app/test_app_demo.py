"""The demo: runs every step, agrees with the effect built in, twice the same bytes."""

import hashlib
import importlib.util
import json
from pathlib import Path

import pytest

from trialkit.app.demo import INVENTED, demo_data, run_demo
from trialkit.errors import RequestError

TOOL = Path(__file__).resolve().parents[2] / "tools" / "make_demo_recordings.py"


@pytest.fixture(scope="module")
def maker():
    spec = importlib.util.spec_from_file_location("make_demo_recordings", TOOL)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    root = tmp_path_factory.mktemp("demo") / "one"
    return root, run_demo(root, force=False, tell=lambda text: None)


def hashes(root):
    return {
        str(p.relative_to(root)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(root.rglob("*"))
        if p.is_file()
    }


def test_verdict_agrees_with_the_effect_built_into_the_data(demo, maker):
    _, answer = demo
    contrast = answer.document["primary"]["contrasts"][0]
    built_in = 100 * (2.718281828459045**maker.EFFECT - 1)
    assert answer.document["verdict"] == "helps"
    assert contrast["ci"][0] < built_in < contrast["ci"][1]
    assert answer.document["verified"] is True


def test_every_file_is_there_and_marked_invented(demo):
    root, answer = demo
    assert len(list((root / "recordings").iterdir())) == 16
    for name in ("index.html", "athlete.html"):
        page = (root / "report" / name).read_text(encoding="utf-8")
        assert "nvented" in page
        assert "helped" in page
    assert INVENTED in answer.text
    analysis = json.loads((root / "report" / "analysis.json").read_text(encoding="utf-8"))
    assert [o["role"] for o in analysis["outcomes"]] == ["primary", "secondary", "check"]
    assert len(analysis["outcomes"][0]["contrasts"]) == 1
    assert analysis["outcomes"][0]["n"] == 16


def test_twice_the_same_bytes(demo, tmp_path):
    root, _ = demo
    run_demo(tmp_path / "two", force=False, tell=lambda text: None)
    assert hashes(tmp_path / "two") == hashes(root)


def test_the_page_asks_nothing_of_a_network_or_a_script(demo):
    root, _ = demo
    for page in (root / "report").glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert "<script src" not in text
        assert 'href="http' not in text
        assert 'src="http' not in text
        assert "@import" not in text
        assert len(text) < 1_500_000


def test_shipped_recordings_are_those_of_the_script(maker, tmp_path, monkeypatch):
    monkeypatch.setattr(maker, "OUT", tmp_path)
    maker.main()
    made = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    shipped = {p.name: p.read_bytes() for p in (demo_data() / "recordings").iterdir()}
    assert made == shipped
    assert len(made) == 16


def test_force_replaces_a_demo_and_nothing_else(demo, tmp_path):
    root, _ = demo
    with pytest.raises(RequestError, match="force"):
        run_demo(root, force=False, tell=lambda text: None)
    other = tmp_path / "mine"
    other.mkdir()
    (other / "protocol.toml").write_text("format = 1\n")
    with pytest.raises(RequestError, match="not the demo"):
        run_demo(other, force=True, tell=lambda text: None)
    (other / "thesis.docx").write_text("years of work")
    with pytest.raises(RequestError, match=r"thesis\.docx"):
        run_demo(other, force=True, tell=lambda text: None)
    assert (other / "thesis.docx").exists()
