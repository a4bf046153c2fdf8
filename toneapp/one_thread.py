"""How many threads does linear algebra take? One: the matrices of a strike are small.

The libraries behind numpy and scipy would share each of the many small solutions among all
processors, and wait for each other busily. That costs up to ten times the processor time, all the
more while several processes of an analysis, or other programs, are at work.

Functions: `ask_for_one_thread` for a program's first lines, `one_thread` for the time of a call.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["ask_for_one_thread", "one_thread"]

_NAMES = (
    "OPENBLAS_NUM_THREADS",
    "OMP_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


def ask_for_one_thread() -> None:
    """Ask the libraries, which read the environment when they are loaded; then it is too late.

    What the user has set stays.
    """
    for name in _NAMES:
        os.environ.setdefault(name, "1")


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep linear algebra to one thread, in this process, as long as the context is open."""
    import scipy.linalg  # noqa: F401  # what is not loaded yet cannot be kept to anything
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        yield
