"""No committed text names a package registry or a path of somebody's machine."""

import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# Spelt in pieces so that this file does not hold what it looks for.
REGISTRIES = (
    "py" + "pi.org",
    "python" + "hosted",
    "npm" + "js",
    "registry." + "npm",
    "cran.r-" + "project",
)
MACHINE_PATH = re.compile(r"(?<![\w.])/(?:root|home|wo" + r"rk|Users)/[\w.-]+")


def offences(text):
    found = [name for name in REGISTRIES if name in text]
    return found + MACHINE_PATH.findall(text)


def _committed_files():
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    ).stdout.split(b"\0")
    return [ROOT / name.decode() for name in listed if name]


def test_committed_text_is_clean():
    bad = {}
    for path in _committed_files():
        if not path.is_file() or path.stat().st_size > 5_000_000:
            continue
        text = path.read_bytes().decode("utf-8", "replace")
        if found := offences(text):
            bad[str(path.relative_to(ROOT))] = found
    assert bad == {}


def test_the_check_fires():
    assert offences("see https://" + "py" + "pi.org/simple")
    assert offences("in /ro" + "ot/thing")
    assert not offences("a ratio of km/h, or docs/home/page")


def test_constraints_hold_versions_only():
    for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines():
        assert re.fullmatch(r"[A-Za-z0-9_.\[\]-]+==[A-Za-z0-9_.+!-]+", line), line
