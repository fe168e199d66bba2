"""A small run of the fuzzing tool; the large one is documented in ``tools/fuzz_readers.py``."""

import importlib.util
from pathlib import Path

import pytest

TOOL = Path(__file__).resolve().parents[2] / "tools" / "fuzz_readers.py"


@pytest.fixture(scope="module")
def fuzz():
    spec = importlib.util.spec_from_file_location("fuzz_readers", TOOL)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["fit", "tcx", "gpx", "csv", "xlsx", "beats"])
def test_whole_files_are_read_and_damaged_ones_read_or_refused(fuzz, name, tmp_path, capsys):
    path = tmp_path / f"whole{fuzz.FORMATS[name]}"
    for whole in fuzz.seeds(name):
        path.write_bytes(whole)
        assert fuzz.try_case(path) == "read"
    assert fuzz.run_format(name, 60, seed=3), capsys.readouterr().err


def test_the_tool_sees_a_crash(fuzz, monkeypatch, tmp_path):
    def broken(path):
        raise KeyError("inside a reader")

    monkeypatch.setattr(fuzz, "read_recording", broken)
    (tmp_path / "a.fit").write_bytes(b"x")
    assert "inside a reader" in fuzz.try_case(tmp_path / "a.fit")
