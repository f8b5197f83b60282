"""Fixtures of the core tests."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def roads():
    """The helpers of roads.py, loaded by path: test folders are no packages."""
    spec = importlib.util.spec_from_file_location("core_roads", Path(__file__).with_name("roads.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def data():
    """Folder of published tables."""
    return Path(__file__).parents[1] / "data"
