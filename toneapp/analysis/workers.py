"""Shares work among processes, or does it here when there is little of it.

Functions and classes: `Crew`, `give_back_memory`.
"""

from __future__ import annotations

import ctypes
import multiprocessing
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from types import TracebackType
from typing import Self, TypeVar

from toneapp.errors import ToneappError
from toneapp.one_thread import one_thread

__all__ = ["Crew", "give_back_memory"]

_ONE_THREAD = ExitStack()
"""Open as long as a worker process lives."""

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
"""Options of mallopt(3)."""

_KEPT_BLOCK_BYTES = 32 * 1024 * 1024
_KEPT_BYTES = 128 * 1024 * 1024
"""Blocks up to the former are kept (more is not allowed), and in all up to the latter."""

_T = TypeVar("_T")
_R = TypeVar("_R")


class Crew:
    """Worker processes for one run; a context manager.

    Parameters
    ----------
    jobs : int
        Number of processes; with 1 the work is done in the calling one.
    """

    def __init__(self, jobs: int) -> None:
        self.jobs = max(jobs, 1)
        self._pool: ProcessPoolExecutor | None = None
        if jobs > 1:
            self._pool = ProcessPoolExecutor(jobs, mp_context=_start_method(), initializer=_begin)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._pool is None:
            return
        if error is not None:
            # Their answers are of no use any more. Waiting for them would keep the user waiting,
            # and a second Ctrl-C during the wait would leave workers that nobody ends.
            for process in list((self._pool._processes or {}).values()):
                process.terminate()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def do(
        self,
        work: Callable[[_T], _R],
        tasks: Sequence[_T],
        *,
        report: Callable[[float], None],
        each: Callable[[_R], None] | None = None,
    ) -> list[_R]:
        """Do all tasks; answers come in the order of the tasks.

        `each` is called here with every answer as soon as it is there, in any order.

        Raises
        ------
        ToneappError
            What a task raised, or that a worker was ended from outside.
        """
        if self._pool is None or len(tasks) < 2:
            answers = []
            for i, task in enumerate(tasks):
                answers.append(work(task))
                if each is not None:
                    each(answers[-1])
                report((i + 1) / len(tasks))
            return answers
        futures: list[Future[_R]] = [self._pool.submit(work, task) for task in tasks]
        waiting = set(futures)
        try:
            while waiting:
                done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in done:
                    answer = future.result()
                    if each is not None:
                        each(answer)
                report(1.0 - len(waiting) / len(tasks))
            return [future.result() for future in futures]
        except BrokenProcessPool as exc:
            raise ToneappError(
                "a worker process was ended from outside, perhaps for lack of memory; "
                "try again with --jobs 1"
            ) from exc
        finally:
            for future in waiting:
                future.cancel()


def _begin() -> None:
    """Let the caller alone answer to Ctrl-C and end this process; take one thread."""
    _ONE_THREAD.enter_context(one_thread())
    _keep_memory()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _keep_memory() -> None:
    """Keep the memory of arrays that are done with, for the next ones.

    The GNU C library returns large blocks to the system at once; getting them back, page by page,
    takes a worker a tenth of its time. Other libraries are left as they are.
    """
    mallopt = _of_c_library("mallopt")
    if mallopt is not None:
        mallopt(_M_MMAP_THRESHOLD, _KEPT_BLOCK_BYTES)
        mallopt(_M_TRIM_THRESHOLD, _KEPT_BYTES)


def give_back_memory() -> None:
    """Give memory that is kept and not used back to the system, before work of another kind."""
    malloc_trim = _of_c_library("malloc_trim")
    if malloc_trim is not None:
        malloc_trim(0)


def _of_c_library(name: str) -> Callable[..., int] | None:
    """Return a function of the GNU C library, where there is one."""
    if sys.platform != "linux":
        return None
    return getattr(ctypes.CDLL(None), name, None)


def _start_method() -> multiprocessing.context.BaseContext:
    """Fork where that is safe (Linux, no other threads), else start fresh interpreters."""
    if sys.platform == "linux" and threading.active_count() == 1:
        return multiprocessing.get_context("fork")
    return multiprocessing.get_context("spawn")
