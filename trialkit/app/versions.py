"""Which versions a result was computed with."""

from __future__ import annotations

import platform
from importlib.metadata import version

_LIBRARIES = ("trialkit", "numpy", "scipy", "statsmodels", "pandas", "matplotlib", "pingouin")


def versions() -> dict[str, str]:
    """Give the versions of Python, of trialkit and of the libraries that compute, by name."""
    return {"Python": platform.python_version()} | {n: version(n) for n in _LIBRARIES}
