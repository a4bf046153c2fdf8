"""Settings shared by all tests."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

# Before anything imports numpy or Qt: one thread a worker, and no window on the screen.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import pytest
from hypothesis import HealthCheck, settings

# No deadlines: other work on the machine must not fail a test.
settings.register_profile(
    "quick",
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.register_profile("ci", settings.get_profile("quick"), max_examples=200)
settings.load_profile("ci" if os.environ.get("CI") else "quick")


@pytest.fixture(scope="session")
def damped_tones() -> ModuleType:
    """Damped tones in rooms, from formulas (tests are no package, hence by path)."""
    name = "damped_tones"
    if name not in sys.modules:
        path = Path(__file__).parent / "independent" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]
