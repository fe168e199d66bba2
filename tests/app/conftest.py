"""A demo that was run once, and scripts of tools/ as modules."""

import importlib.util
import sys
from pathlib import Path

import pytest

from trialkit.app.demo import run_demo

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def demo_root(tmp_path_factory):
    """The folder of a finished demo; tests only read it, or copy it first."""
    folder = tmp_path_factory.mktemp("shared") / "demo"
    run_demo(folder, force=False, tell=lambda text: None)
    return folder


@pytest.fixture(scope="session")
def tool():
    """Load a script of tools/ by name."""

    def load(name):
        spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{name}.py")
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        return module

    return load


@pytest.fixture(scope="session")
def invented(tool, tmp_path_factory):
    """Run the trial of an example's scenario in a new folder, with changes of its scenario."""
    maker = tool("make_example_reports")

    def run(name, **changes):
        from dataclasses import replace

        root = tmp_path_factory.mktemp(name)
        text = (ROOT / "reports" / "scenarios" / f"{name}.toml").read_text(encoding="utf-8")
        (root / "protocol.toml").write_text(text, encoding="utf-8")
        plan = maker.loads(text, where=name).plan()
        maker.run(root, plan, replace(maker.SCENARIOS[name], **changes))
        return root

    return run
