"""How is work done off the GUI thread, with progress, a stop, and its answer back in the window?

A worker calls one function and brings back its result or its error. Three lines of work: *quick*
(reading), *edits* (one after the other, in the order they were asked for) and *long* (taking
sound in and measuring, one at a time). A later task with the same key overtakes an earlier one,
whose answer is then dropped.

Classes: `Tasks`, `Task`, `Lane`. Types: `Progress`.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import Enum
from queue import Empty, SimpleQueue
from typing import Any

import shiboken6
from PySide6.QtCore import QObject, Qt, Signal

from toneapp.errors import Cancelled, ToneappError

__all__ = ["Lane", "Progress", "Task", "Tasks"]

logger = logging.getLogger(__name__)

Progress = Callable[[float], None]
"""Called with the share done, 0 to 1; raises `Cancelled` once the task was stopped."""

SMALLEST_STEP = 0.002
"""Progress is told to the window no finer than this."""


class Lane(Enum):
    """Line of work, with the number of its threads."""

    QUICK = 2
    EDITS = 1
    LONG = -1  # one thread, and shown as work with a stop


class _Ticket:
    """What a thread at work and the window share of a task: no Qt object, so either may go first.

    A Qt object whose last reference is dropped in another thread would end the process.
    """

    def __init__(self, number: int, label: str) -> None:
        self.number = number
        self.label = label
        self.stop = threading.Event()
        self.share = 0.0


class _Ending(Enum):
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"
    STEP = "step"


class Task(QObject):
    """One piece of work, as the window sees it."""

    progressed = Signal(float)
    done = Signal(object)
    failed = Signal(str)
    cancelled = Signal()

    def __init__(self, ticket: _Ticket, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._ticket = ticket
        self.label = ticket.label
        self.share = 0.0

    def cancel(self) -> None:
        """Stop at the next step; what was begun is taken back by the function itself."""
        self._ticket.stop.set()

    @property
    def is_cancelled(self) -> bool:
        """Whether it was told to stop."""
        return self._ticket.stop.is_set()


@dataclass(slots=True, kw_only=True)
class _Entry:
    """What is known of a task here, until it has ended."""

    task: Task
    lane: Lane
    key: str
    on_done: Callable[[Any], None] | None
    on_failed: Callable[[str], None] | None


class Tasks(QObject):
    """Runs tasks and keeps them until they have ended.

    Attributes
    ----------
    changed : Signal
        The list of long tasks, or the progress of one, is another.
    failed : Signal(str)
        Errors of tasks that did not say where theirs go.
    """

    changed = Signal()
    failed = Signal(str)
    _arrived = Signal()  # from any thread: something lies in the letter box

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._pools = {
            lane: ThreadPoolExecutor(abs(lane.value), thread_name_prefix=lane.name.lower())
            for lane in Lane
        }
        self._box: SimpleQueue[tuple[int, _Ending, Any]] = SimpleQueue()
        self._entries: dict[int, _Entry] = {}
        self._latest: dict[str, int] = {}
        self._count = 0
        self._arrived.connect(self._open_box, Qt.ConnectionType.QueuedConnection)

    def start(
        self,
        work: Callable[[Progress], Any],
        *,
        on_done: Callable[[Any], None] | None = None,
        on_failed: Callable[[str], None] | None = None,
        label: str = "",
        lane: Lane = Lane.QUICK,
        key: str = "",
    ) -> Task:
        """Do `work` in another thread.

        Parameters
        ----------
        work : callable
            Takes the progress function; runs elsewhere, so it touches no widget.
        on_done, on_failed : callable, optional
            Called here with the result, or with the sentence of the error.
        label : str
            What is done, in a few words for the person.
        lane : Lane
            Line of work.
        key : str
            Tasks with the same key overtake one another.
        """
        self._count += 1
        number = self._count
        ticket = _Ticket(number, label)
        task = Task(ticket, self)
        if key:
            earlier = self._entries.get(self._latest.get(key, 0))
            if earlier is not None and lane is not Lane.EDITS:
                earlier.task.cancel()
            self._latest[key] = number
        self._entries[number] = _Entry(
            task=task, lane=lane, key=key, on_done=on_done, on_failed=on_failed
        )
        self._pools[lane].submit(_carry_out, ticket, work, self._post)
        if lane is Lane.LONG:
            self.changed.emit()
        return task

    @property
    def long_tasks(self) -> tuple[Task, ...]:
        """What is being done or waits with a stop, in its order."""
        return tuple(e.task for e in self._entries.values() if e.lane is Lane.LONG)

    @property
    def is_idle(self) -> bool:
        """Whether nothing runs or waits."""
        return not self._entries

    def close(self) -> None:
        """Stop everything and wait until it has stopped; answers are dropped."""
        for entry in self._entries.values():
            entry.task.cancel()
        for pool in self._pools.values():
            pool.shutdown(wait=True, cancel_futures=True)
        self._entries.clear()

    def _post(self, number: int, ending: _Ending, content: Any) -> None:
        """Bring a letter from another thread."""
        self._box.put((number, ending, content))
        self._arrived.emit()

    def _open_box(self) -> None:
        while True:
            try:
                number, ending, content = self._box.get_nowait()
            except Empty:
                return
            entry = self._entries.get(number)
            if entry is None:
                continue
            if ending is _Ending.STEP:
                entry.task.share = content
                entry.task.progressed.emit(content)
                if entry.lane is Lane.LONG:
                    self.changed.emit()
                continue
            self._end(number, entry, ending, content)

    def _end(self, number: int, entry: _Entry, ending: _Ending, content: Any) -> None:
        del self._entries[number]
        is_current = not entry.key or self._latest.get(entry.key) == number
        if is_current and entry.key:
            del self._latest[entry.key]
        try:
            if ending is _Ending.CANCELLED or entry.task.is_cancelled:
                entry.task.cancelled.emit()
            elif not is_current:
                pass  # overtaken: its answer is no longer wanted
            elif ending is _Ending.DONE:
                if entry.on_done is not None and _is_there(entry.on_done):
                    entry.on_done(content)
                entry.task.done.emit(content)
            elif entry.on_failed is None or _is_there(entry.on_failed):
                (entry.on_failed or self.failed.emit)(content)
                entry.task.failed.emit(content)
        finally:
            entry.task.deleteLater()
            if entry.lane is Lane.LONG:
                self.changed.emit()


def _is_there(receiver: Callable[..., object]) -> bool:
    """Tell whether the widget whose method waits for an answer has not been closed meanwhile."""
    owner = getattr(receiver, "__self__", None)
    return not isinstance(owner, QObject) or shiboken6.isValid(owner)


def _carry_out(
    ticket: _Ticket,
    work: Callable[[Progress], Any],
    post: Callable[[int, _Ending, Any], None],
) -> None:
    """Outer frame of all work in other threads: whatever is raised becomes a sentence."""

    def step(share: float) -> None:
        if ticket.stop.is_set():
            raise Cancelled("stopped")
        if abs(share - ticket.share) >= SMALLEST_STEP:
            ticket.share = share
            post(ticket.number, _Ending.STEP, share)

    try:
        if ticket.stop.is_set():
            raise Cancelled("stopped")
        result = work(step)
    except Cancelled:
        post(ticket.number, _Ending.CANCELLED, None)
    except ToneappError as exc:
        logger.info("%s: %s", ticket.label, exc)
        post(ticket.number, _Ending.FAILED, str(exc))
    except Exception as exc:  # the one frame between a thread and the window
        logger.critical("a fault of the program in %r", ticket.label, exc_info=True)
        message = f"a fault in the program itself: {type(exc).__name__}: {exc}"
        post(ticket.number, _Ending.FAILED, message)
    else:
        post(ticket.number, _Ending.DONE, result)
