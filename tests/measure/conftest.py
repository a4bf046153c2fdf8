"""Sounds with known truth for the measures."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _load(name: str) -> ModuleType:
    """Load a module of tests/independent (tests are no package)."""
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "independent" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def tones() -> ModuleType:
    """Tones, voices and knocks from formulas."""
    return _load("plain_tones")


@pytest.fixture(scope="session")
def strings() -> ModuleType:
    """Struck strings solved in the time domain."""
    return _load("finite_difference_string")
