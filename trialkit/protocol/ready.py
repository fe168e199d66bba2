"""The ready protocols that come with the package."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable


def ready_protocols() -> Mapping[str, Traversable]:
    """Files of the ready protocols by name, in order of their names."""
    package = files("trialkit")
    installed = package / "ready_protocols"
    # A source checkout keeps them beside the package; a built wheel carries them inside.
    folder = installed if installed.is_dir() else package / ".." / "protocols"
    found = (file for file in folder.iterdir() if file.name.endswith(".toml"))
    return {file.name.removesuffix(".toml"): file for file in sorted(found, key=lambda f: f.name)}
