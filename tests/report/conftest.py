"""Shared invented content; the builder sits beside this file."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

# Tests are collected in importlib mode, which puts no test folder on the path.
_spec = importlib.util.spec_from_file_location(
    "invented_trial", Path(__file__).with_name("invented_trial.py")
)
_module = importlib.util.module_from_spec(_spec)
sys.modules["invented_trial"] = _module
_spec.loader.exec_module(_module)


@pytest.fixture(scope="session")
def content():
    return _module.make_content()


@pytest.fixture(scope="session")
def make_content():
    return _module.make_content


@pytest.fixture(scope="session")
def plan():
    return _module.PLAN
