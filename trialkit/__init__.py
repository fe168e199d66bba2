"""trialkit: randomised single-athlete (n-of-1) trials, from the question to an honest answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trialkit.app.estimating import TableColumns, TableQuestion
    from trialkit.app.notebook import estimate, load

__version__ = "0.1.0"
__all__ = ["TableColumns", "TableQuestion", "__version__", "estimate", "load"]

# Imported when first asked for: `import trialkit` and `trialkit --help` stay fast.
_ROOMS = {
    "TableColumns": "trialkit.app.estimating",
    "TableQuestion": "trialkit.app.estimating",
    "estimate": "trialkit.app.notebook",
    "load": "trialkit.app.notebook",
}


def __getattr__(name: str) -> Any:
    """Import what a notebook asks for."""
    if name not in _ROOMS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_ROOMS[name]), name)
