#!/usr/bin/env python3
"""Set up and run trialkit from a checkout, with nothing but Python 3.11+ on the machine.

python3 dev.py demo      set up, then run ``trialkit demo`` into the folder demo-trial
python3 dev.py test      set up, then run the tests
python3 dev.py check     set up, then lint, format, types and import contracts
python3 dev.py run ...   set up, then ``trialkit ...``
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
CONSTRAINTS = ROOT / "constraints.txt"
CHECKS = (
    ("ruff", "check", "."),
    ("ruff", "format", "--check", "."),
    ("mypy",),
    ("lint-imports", "--no-cache"),
)


def main(arguments: list[str]) -> int:
    if sys.version_info < (3, 11):
        print(f"trialkit needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
        return 2
    verb, rest = (arguments[0], arguments[1:]) if arguments else ("", [])
    if verb == "demo":
        set_up(extra="")
        return call("trialkit", "demo", *(rest or ["demo-trial", "--force"]))
    if verb == "test":
        set_up(extra="dev")
        return call("pytest", "-n", "2", *rest)
    if verb == "check":
        set_up(extra="dev")
        return max(call(*command) for command in CHECKS)
    if verb == "run":
        set_up(extra="")
        return call("trialkit", *rest)
    print(__doc__)
    return 2


def set_up(*, extra: str) -> None:
    """Make the virtual environment and install into it, unless that is done already."""
    wanted = hashlib.sha256(
        (ROOT / "pyproject.toml").read_bytes() + CONSTRAINTS.read_bytes()
    ).hexdigest()
    stamp = VENV / f"set-up-{extra or 'run'}.txt"
    if stamp.is_file() and stamp.read_text(encoding="utf-8") == wanted:
        return
    make_venv()
    print("Installing trialkit and its libraries into .venv (some minutes the first time) ...")
    # PIP_CONSTRAINT also pins the build backend, which pip installs in a place of its own.
    env = os.environ | {"PIP_CONSTRAINT": str(CONSTRAINTS), "PIP_DISABLE_PIP_VERSION_CHECK": "1"}
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    pip = [str(BIN / "python"), "-m", "pip", "install", "--quiet", "--editable", target]
    if subprocess.run(pip, env=env, cwd=ROOT, check=False).returncode != 0:
        sys.exit("The installation did not finish; the lines above say why. Run the command again.")
    stamp.write_text(wanted, encoding="utf-8")


def make_venv() -> None:
    if (BIN / "python").exists() or (BIN / "python.exe").exists():
        return
    shutil.rmtree(VENV, ignore_errors=True)
    made = subprocess.run([sys.executable, "-m", "venv", str(VENV)], check=False)
    if made.returncode != 0:
        shutil.rmtree(VENV, ignore_errors=True)
        sys.exit(
            "Python could not make a virtual environment. On Debian or Ubuntu install it with:\n"
            "    sudo apt-get install python3-venv"
        )


def call(program: str, *arguments: str) -> int:
    print("$", program, *arguments, flush=True)
    return subprocess.run([str(BIN / program), *arguments], cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
