"""Settings shared by all tests."""

from __future__ import annotations

import os

# Before anything imports numpy or Qt: one thread a worker, and no window on the screen.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

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
