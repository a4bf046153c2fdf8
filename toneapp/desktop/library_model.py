"""How does a window hold a library: read it, change it, and hear what changed?

`LibraryModel` opens a library off the GUI thread, asks it small things at once and large ones
elsewhere, makes edits in their order, and tells what was changed here, in another window or by
another program.

Classes: `LibraryModel`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from PySide6.QtCore import QObject, QTimer, Signal

from toneapp.desktop.workers import Lane, Progress, Task, Tasks
from toneapp.errors import ToneappError
from toneapp.library import Change, Library

__all__ = ["POLL_MS", "LibraryModel"]

POLL_MS = 1000
"""How often it is looked whether another program has written to the library."""

T = TypeVar("T")
D = TypeVar("D")


class LibraryModel(QObject):
    """A library and what happens to it.

    Parameters
    ----------
    poll_ms : int
        Look for changes by other programs this often; 0 for never.

    Attributes
    ----------
    library_changed : Signal
        Something in the library is another: instruments, runs, worksheets, weights, the bin.
    busy_changed : Signal(str, float)
        Long work and its share done; an empty text when there is none.
    failed : Signal(str)
        One sentence: what happened and what to do.
    said : Signal(str)
        One sentence of good news.
    history_changed : Signal(str, str)
        What can be undone and what done again; empty when nothing can.
    """

    library_changed = Signal()
    busy_changed = Signal(str, float)
    failed = Signal(str)
    said = Signal(str)
    history_changed = Signal(str, str)

    _told = Signal(object)  # a change of the library, from any thread

    def __init__(self, *, poll_ms: int = POLL_MS, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.tasks = Tasks(self)
        self.tasks.failed.connect(self.failed)
        self.tasks.changed.connect(self._tell_busy)
        self._library: Library | None = None
        self._owned: list[Library] = []
        self._unsubscribe: Callable[[], None] | None = None
        self._seen_version = -1
        self._changed_tables: set[str] = set()
        self._settle = QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.setInterval(0)
        self._settle.timeout.connect(self._take_up_changes)
        self._told.connect(self._hear)
        self._poll = QTimer(self)
        self._poll.setInterval(max(poll_ms, 1))
        self._poll.timeout.connect(self._look_for_others)
        self._polls = poll_ms > 0

    @property
    def library(self) -> Library | None:
        """The open library."""
        return self._library

    def open_library(self, folder: str | Path | None = None) -> Task:
        """Open (or make) the library in a folder; `library_changed` follows."""

        def opened(library: Library) -> None:
            self.use_library(library, owns=True)
            if library.copy_made is not None:
                self.said.emit(
                    f"The library was brought up to date; a copy of before is {library.copy_made}"
                )

        return self.tasks.start(
            lambda _progress: Library(folder),
            on_done=opened,
            label="opening the library",
            key="library",
        )

    def use_library(self, library: Library, *, owns: bool = False) -> None:
        """Look at a library that is open already, as a second window does.

        Parameters
        ----------
        owns : bool
            Close it with this model.
        """
        self._let_library_go()
        self._library = library
        if owns:
            self._owned.append(library)
        self._unsubscribe = library.subscribe(self._told.emit)
        self._forget_chosen()
        self._seen_version = library.data_version()
        if self._polls:
            self._poll.start()
        self.library_changed.emit()
        self._tell_history()

    def close(self) -> None:
        """Stop all work and let the library go."""
        self._poll.stop()
        self.tasks.close()
        self._let_library_go()
        for library in self._owned:
            with contextlib.suppress(ToneappError):
                library.close()
        self._owned.clear()

    def read(self, ask: Callable[[Library], T], default: D) -> T | D:
        """Read something small from the library at once; an error is told, `default` returned."""
        if self._library is None:
            return default
        try:
            return ask(self._library)
        except ToneappError as exc:
            self.failed.emit(str(exc))
            return default

    def ask(
        self,
        question: Callable[[Library], T],
        on_done: Callable[[T], None],
        *,
        on_failed: Callable[[str], None] | None = None,
        key: str = "",
    ) -> Task | None:
        """Ask the library something in another thread; `key` as in `Tasks.start`."""
        library = self._library
        if library is None:
            return None
        return self.tasks.start(
            lambda _progress: question(library), on_done=on_done, on_failed=on_failed, key=key
        )

    def edit(
        self,
        change: Callable[[Library], T],
        on_done: Callable[[T], None] | None = None,
        *,
        on_failed: Callable[[str], None] | None = None,
    ) -> Task | None:
        """Change something in the library, in the order of the asking; it tells what changed."""
        library = self._library
        if library is None:
            return None
        return self.tasks.start(
            lambda _progress: change(library),
            on_done=on_done,
            on_failed=on_failed,
            lane=Lane.EDITS,
        )

    def work(
        self,
        label: str,
        job: Callable[[Library, Progress], T],
        on_done: Callable[[T], None] | None = None,
        *,
        on_failed: Callable[[str], None] | None = None,
    ) -> Task | None:
        """Do something long with progress and a stop, one after the other."""
        library = self._library
        if library is None:
            return None
        return self.tasks.start(
            lambda progress: job(library, progress),
            on_done=on_done,
            on_failed=on_failed,
            label=label,
            lane=Lane.LONG,
        )

    def undo(self) -> Task | None:
        """Take the last edit back."""
        return self.edit(
            lambda library: library.history.undo(),
            lambda act: self.said.emit(f"Undone: {act.label}"),
        )

    def redo(self) -> Task | None:
        """Do again what was undone last."""
        return self.edit(
            lambda library: library.history.redo(),
            lambda act: self.said.emit(f"Done again: {act.label}"),
        )

    # For what is chosen in the library

    def _forget_chosen(self) -> None:
        """Choose nothing, since another library was opened."""

    def _take_up(self, tables: set[str]) -> None:
        """Look again at what is chosen, since rows of these tables were changed."""

    # Inside

    def _hear(self, change: Change) -> None:
        """Note what was changed through this library, in any window; runs in the GUI thread."""
        self._changed_tables |= {table for table, _ in change.rows} or {"run"}
        self._settle.start()

    def _look_for_others(self) -> None:
        if self._library is None:
            return
        version = self.read(lambda library: library.data_version(), self._seen_version)
        if version != self._seen_version:
            self._seen_version = version
            self._changed_tables |= {"run", "worklist_tick"}
            self._settle.start()

    def _take_up_changes(self) -> None:
        if self._library is None:
            return
        tables, self._changed_tables = self._changed_tables, set()
        self.library_changed.emit()
        self._tell_history()
        self._take_up(tables)

    def _tell_history(self) -> None:
        acts = self.read(lambda library: library.history.acts(limit=30), ())
        undo = next((act.label for act in acts if act.can_undo), "")
        redo = next((act.label for act in reversed(acts) if act.can_redo), "")
        self.history_changed.emit(undo, redo)

    def _tell_busy(self) -> None:
        running = self.tasks.long_tasks
        if running:
            more = f" ({len(running) - 1} more waiting)" if len(running) > 1 else ""
            self.busy_changed.emit(f"{running[0].label}{more}", running[0].share)
        else:
            self.busy_changed.emit("", 0.0)

    def _let_library_go(self) -> None:
        """Look at no library; one that is worked on is closed only with this model."""
        if self._unsubscribe is not None:
            self._unsubscribe()
            self._unsubscribe = None
        for task in self.tasks.long_tasks:
            task.cancel()
        self._library = None
