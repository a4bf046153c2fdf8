"""How does a recording that is over come into the library, from the window?

All of it happens off the GUI thread, one after the other, with progress and a stop; a recording
that could not be taken in stays where it is and is offered again.

Classes: `RecordKeeping`, `Left`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import QObject, Signal

from toneapp.audio.capture import (
    ClosedRun,
    UnfinishedRun,
    close_unfinished,
    find_unfinished,
    join_parts,
)
from toneapp.desktop.models import AppModel
from toneapp.desktop.record_session import Recorded
from toneapp.desktop.repetition_view import RepetitionView, measure_kept_run, repetition_view
from toneapp.desktop.workers import Progress
from toneapp.errors import ToneappError
from toneapp.library import Leftover, Library, Run
from toneapp.library.place import recordings_folder
from toneapp.library.recorded import RecordedFacts, lay_in_bin, take_in

__all__ = ["Left", "RecordKeeping"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What was left behind in a library."""

    runs: tuple[UnfinishedRun, ...]
    sounds: tuple[Leftover, ...] = ()


class RecordKeeping(QObject):
    """Takes recordings in.

    Attributes
    ----------
    kept : Signal(object)
        The `Run` that is to be measured now, or None when there is none.
    failed : Signal(str)
        It could not be taken in and stays where it is.
    repetition_measured : Signal(object)
        `RepetitionView` of a run.
    """

    kept = Signal(object)
    failed = Signal(str)
    repetition_measured = Signal(object)

    def __init__(self, model: AppModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model

    def keep(self, recorded: Recorded) -> None:
        """Take a recording in; one without any blow that counts goes to the bin."""
        closed, facts = recorded.closed, recorded.facts
        if not closed.frames:
            closed.folder.remove()
            self._model.said.emit("Nothing was recorded")
            self.kept.emit(None)
            return
        if facts.out is not None:
            self._write_out(closed, Path(facts.out))
        elif closed.counted:
            self._start("taking the recording in", lambda: closed, facts, take_in)
        else:
            self._bin(lambda: closed, facts, "No blow counts; the recording lies in the bin")

    def close_unfinished(self, unfinished: UnfinishedRun) -> None:
        """Take a run that was left behind in as it is."""
        facts = RecordedFacts.from_json(unfinished.facts)
        if facts.out is not None:
            self._write_out_left(unfinished, Path(facts.out))
        else:
            self._start(
                "taking the recording in", lambda: close_unfinished(unfinished), facts, take_in
            )

    def bin_unfinished(self, unfinished: UnfinishedRun) -> None:
        """Lay a run that was left behind in the bin."""
        facts = RecordedFacts.from_json(unfinished.facts)
        self._bin(lambda: close_unfinished(unfinished), facts, "The recording lies in the bin")

    def find_left(self, on_found: Callable[[Left], None]) -> None:
        """Look for runs that were left behind, and for sound that belongs to no run."""

        def look(library: Library) -> Left:
            return Left(
                runs=find_unfinished(recordings_folder(library.folder)),
                sounds=library.leftovers(),
            )

        self._model.ask(look, on_found, key=f"left {id(self)}")

    def adopt(self, left: Leftover, instrument_id: int) -> None:
        """Make a run of a sound that was left over."""
        self._adopt(left, instrument_id, self._tell_kept)

    def lay_left_in_bin(self, left: Leftover, instrument_id: int) -> None:
        """Make a run of a sound that was left over, and lay it in the bin."""

        def adopted(run: Run) -> None:
            self._model.edit(lambda library: library.runs.remove(run))
            self._model.said.emit("The sound lies in the bin")
            self.kept.emit(None)

        self._adopt(left, instrument_id, adopted)

    def _adopt(self, left: Leftover, instrument_id: int, done: Callable[[Run], None]) -> None:
        run = Run(instrument_id=instrument_id, condition="sound that was left over")
        self._model.work(
            "taking the sound in",
            lambda library, _progress: library.adopt_leftover(left, run),
            done,
            on_failed=self._tell_failed,
        )

    def measure_repetition(self, run_id: int) -> None:
        """Measure a repetition run; `repetition_measured` follows."""

        def job(library: Library, progress: Progress) -> RepetitionView:
            return repetition_view(measure_kept_run(library, run_id, progress))

        task = self._model.work(
            "measuring the repetition",
            job,
            self._tell_repetition,
            on_failed=self._tell_failed,
        )
        if task is not None:
            task.cancelled.connect(lambda: self.kept.emit(None))

    # Bound methods, so that an answer is dropped when the page is gone by then.

    def _tell_kept(self, run: Run | None) -> None:
        self.kept.emit(run)

    def _tell_failed(self, message: str) -> None:
        self.failed.emit(message)

    def _tell_repetition(self, view: RepetitionView) -> None:
        self.repetition_measured.emit(view)

    def _start(
        self,
        label: str,
        close: Callable[[], ClosedRun],
        facts: RecordedFacts,
        take: Callable[..., Run],
        done: Callable[[Run], None] | None = None,
    ) -> None:
        def job(library: Library, progress: Progress) -> Run:
            closed = close()
            try:
                run = take(library, closed, facts, progress=progress)
            except BaseException:
                closed.folder.release()  # it is offered again
                raise
            closed.folder.remove()
            return run

        task = self._model.work(label, job, done or self._tell_kept, on_failed=self._tell_failed)
        if task is not None:
            task.cancelled.connect(
                lambda: self.failed.emit("stopped; the recording stays and is offered again")
            )

    def _bin(self, close: Callable[[], ClosedRun], facts: RecordedFacts, said: str) -> None:
        def done(_run: Run) -> None:
            self._model.said.emit(said)
            self.kept.emit(None)

        self._start("laying the recording in the bin", close, facts, lay_in_bin, done)

    def _write_out(self, closed: ClosedRun, out: Path) -> None:
        """Write a recording into the file that it was meant for (begun from a terminal)."""

        def job(_library: Library, progress: Progress) -> None:
            try:
                join_parts(closed.parts, out, progress=progress)
            except BaseException:
                closed.folder.release()
                raise
            closed.folder.remove()

        def done(_none: None) -> None:
            self._model.said.emit(f"The recording is {out}")
            self.kept.emit(None)

        self._model.work(f"writing {out.name}", job, done, on_failed=self._tell_failed)

    def _write_out_left(self, unfinished: UnfinishedRun, out: Path) -> None:
        try:
            closed = close_unfinished(unfinished)
        except ToneappError as exc:
            self.failed.emit(str(exc))
            return
        self._write_out(closed, out)
