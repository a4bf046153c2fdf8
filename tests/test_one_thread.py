"""Linear algebra keeps to one thread, and the user's own choice stays."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import threadpoolctl

from toneapp.one_thread import one_thread


def _threads() -> list[int]:
    return [
        int(pool["num_threads"])
        for pool in threadpoolctl.threadpool_info()
        if pool["user_api"] == "blas"
    ]


def test_one_thread_as_long_as_asked_for() -> None:
    np.linalg.solve(np.eye(2), np.ones(2))
    with threadpoolctl.threadpool_limits(limits=2, user_api="blas"):
        before = _threads()
        with one_thread():
            assert _threads()
            assert set(_threads()) == {1}
        assert _threads()[: len(before)] == before


def test_the_program_asks_before_numpy_is_loaded() -> None:
    code = (
        "import sys, toneapp.cli; import numpy, scipy.linalg, threadpoolctl;"
        "print(*(p['num_threads'] for p in threadpoolctl.threadpool_info()"
        " if p['user_api'] == 'blas'))"
    )
    environment = {
        name: value
        for name, value in os.environ.items()
        if not name.endswith("_NUM_THREADS") and name != "VECLIB_MAXIMUM_THREADS"
    }
    told = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert set(told.stdout.split()) == {"1"}


def test_the_users_own_choice_stays() -> None:
    code = "import os, toneapp.cli; print(os.environ['OPENBLAS_NUM_THREADS'])"
    told = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "OPENBLAS_NUM_THREADS": "2"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert told.stdout.split() == ["2"]
