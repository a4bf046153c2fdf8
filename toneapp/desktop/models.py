"""What does one window look at, and what can be done with it?

`AppModel` holds the library (`library_model`) and what is chosen in it (`chosen_model`), and works
on it: measuring, importing, ticking, correcting strikes. It knows no widget and is tested without
a window. Several windows have a model each on the same library.

Classes: `AppModel`; `SoundPlace` comes from `toneapp.desktop.sound_places`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from PySide6.QtCore import QObject, QTimer, Signal

from toneapp.desktop.chosen_model import ChosenModel
from toneapp.desktop.growing_run import GrowingRun
from toneapp.desktop.library_model import POLL_MS
from toneapp.desktop.sound_places import SoundPlace, place_of_strike, sound_places
from toneapp.desktop.workers import Progress, Task
from toneapp.library import (
    Analyse,
    Library,
    Run,
    RunOfInstrument,
    StrikeEdit,
)
from toneapp.results import RunResult, StrikeResult

__all__ = ["AppModel", "SoundPlace"]

MEASURE_PAUSE_MS = 1500
"""Corrections in quick succession are measured together."""

IMPORT_SHARE = 0.1
"""Share of the progress for taking a recording in; the rest is measuring it."""

OnStrikes = Callable[[Sequence[StrikeResult]], None]


class AppModel(ChosenModel):
    """State of one window on a library.

    Parameters
    ----------
    analyse : callable, optional
        Makes the measuring function for the library, which tells strikes as they come to the
        function given; the measuring core by default.
    poll_ms : int
        Look for changes by other programs this often; 0 for never.
    measure_pause_ms : int
        Measure again this long after the last correction of a strike.

    Notes
    -----
    Its signals are those of `LibraryModel` and `ChosenModel`.
    """

    _added = Signal(object)  # a `Run` whose sound is in the library, from the thread at work
    _grown = Signal(object)  # a `RunOfInstrument` that is being measured, from the same

    def __init__(
        self,
        *,
        analyse: Callable[[OnStrikes], Analyse] | None = None,
        poll_ms: int = POLL_MS,
        measure_pause_ms: int = MEASURE_PAUSE_MS,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(poll_ms=poll_ms, parent=parent)
        self._analyse = analyse
        self._again: Task | None = None  # measuring after a correction
        self._pause = QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(measure_pause_ms)
        self._pause.timeout.connect(self._measure_if_due)
        self._added.connect(self._begin_to_grow)
        self._grown.connect(self._show_growing)

    # Working on a run

    def measure_run(self, run_id: int | None = None) -> Task | None:
        """Measure a run (the chosen one by default) in the background."""
        wanted = run_id or self.run_id
        if not wanted:
            return None
        number = wanted

        def job(library: Library, progress: Progress) -> None:
            run = library.runs.get(number)
            if number not in library.measuring.figures([number]):
                self._added.emit(run)
            analyse = self._measuring_function(library, run)
            library.measuring.measure(number, analyse, progress=progress)

        return self._work_on_run(f"measuring run {number}", job, lambda: number)

    def import_run(self, run: Run, sound: Path) -> Task | None:
        """Take a recording in and measure it in the background, as the chosen run.

        Its notes appear while it is measured (`run_changed` with what is known so far).

        Parameters
        ----------
        run : Run
            Its facts, with the number of its instrument.
        sound : Path
            One recording, or a folder with one a note.
        """
        taken: list[Run] = []

        def job(library: Library, progress: Progress) -> None:
            taken.append(
                library.runs.add(run, sound, progress=lambda share: progress(IMPORT_SHARE * share))
            )
            self._added.emit(taken[0])
            library.measuring.measure(
                taken[0].id,
                self._measuring_function(library, taken[0]),
                progress=lambda share: progress(IMPORT_SHARE + (1.0 - IMPORT_SHARE) * share),
            )

        return self._work_on_run(
            f"measuring {sound.name}", job, lambda: taken[0].id if taken else 0
        )

    def tick_work(
        self, midi: int, subject: str, *, is_done: bool = True, note: str = ""
    ) -> Task | None:
        """Tick an entry of the worklist off, or take the tick away."""
        run_id = self.run_id
        if not run_id:
            return None
        return self.edit(
            lambda library: library.worklists.tick(
                run_id, midi, subject, is_done=is_done, note=note
            )
        )

    def raise_items(self) -> Task | None:
        """Add what the run raises to the worksheet of its instrument."""
        run_id = self.run_id
        if not run_id:
            return None

        def added(items: tuple[Any, ...]) -> None:
            noun = "item" if len(items) == 1 else "items"
            self.said.emit(f"{len(items)} {noun} added to the worksheet")

        return self.edit(lambda library: library.raise_items(run_id), added)

    def name_moment(self, onset_s: float, midi: int | None, *, part: str = "") -> Task | None:
        """Say of a moment of the recording which key was struck; None for no key at all.

        Where no strike was heard there is one once the run is measured again.
        """
        places = self.sounds_of_run()
        place = next((item for item in places if item.part == part), None)
        if place is None:
            return None
        take_id = place.take_id

        def say(library: Library) -> object:
            if midi is None:
                return library.strikes.discard(take_id, onset_s, part=part)
            return library.strikes.relabel(take_id, onset_s, midi, part=part)

        return self._correct(say)

    def bound_strike(
        self,
        onset_s: float,
        midi: int,
        *,
        exact_onset_s: float | None,
        release_s: float | None,
        part: str = "",
    ) -> Task | None:
        """Say where exactly a strike begins and ends; None for as it is heard.

        Parameters
        ----------
        onset_s : float
            Where it was heard or begins by now, in seconds of its file.
        midi : int
            The key it counts for.
        """
        places = self.sounds_of_run()
        place = next((item for item in places if item.part == part), None)
        if place is None:
            return None
        take_id = place.take_id
        return self._correct(
            lambda library: library.strikes.set_bounds(
                take_id, onset_s, midi, exact_onset_s=exact_onset_s, release_s=release_s, part=part
            )
        )

    def restore_strike(self, edit: StrikeEdit) -> Task | None:
        """Take back what was said about a strike."""
        return self._correct(lambda library: library.strikes.restore(edit))

    def undo(self) -> Task | None:
        """Take the last edit back, and measure again if it was a correction of a strike."""
        return self._then_measure(super().undo())

    def redo(self) -> Task | None:
        """Do again what was undone last, and measure again if that is due."""
        return self._then_measure(super().redo())

    def close(self) -> None:
        """Stop all work and let the library go."""
        self._pause.stop()
        super().close()

    # Sound

    def sounds_of_run(self, run: RunOfInstrument | None = None) -> tuple[SoundPlace, ...]:
        """Recordings of a run (the chosen one by default), in their order."""
        run = self._run if run is None else run
        run_id = self.run_id if run is None else run.run.id
        if not run_id:
            return ()
        return self.read(lambda library: sound_places(library, run_id), ())

    def sound_of_strike(
        self, strike: StrikeResult, run: RunOfInstrument | None = None
    ) -> SoundPlace | None:
        """Where a strike's sound lies; its times count from the beginning of that file."""
        return place_of_strike(self.sounds_of_run(run), strike)

    # Inside

    def _forget_chosen(self) -> None:
        """Choose nothing, and measure nothing again: another library was opened."""
        self._pause.stop()
        super()._forget_chosen()

    def _correct(self, change: Callable[[Library], object]) -> Task | None:
        """Correct a strike, and measure the run again a little later."""
        return self._then_measure(self.edit(change))

    def _then_measure(self, task: Task | None) -> Task | None:
        if task is not None:
            task.done.connect(lambda _answer: self._pause.start())
        return task

    def _measure_if_due(self) -> None:
        """Measure the chosen run again in the background, if corrections wait for it."""
        run_id = self.run_id
        if not run_id:
            return

        def asked(is_due: bool) -> None:
            if not is_due or run_id != self.run_id:
                return
            if self._again is not None:
                self._again.cancel()  # it measures without the latest correction
            self._again = self.measure_run(run_id)

        self.ask(lambda library: library.measuring.is_due(run_id), asked, key="due")

    def _measuring_function(self, library: Library, run: Run) -> Analyse:
        """Return what measures a run and tells meanwhile what is known; for another thread."""
        instrument = library.instruments.get(run.instrument_id)

        def tell(result: RunResult) -> None:
            self._grown.emit(RunOfInstrument(instrument=instrument, run=run, result=result))

        growing = GrowingRun(instrument, tell)
        if self._analyse is not None:
            return self._analyse(growing.take)
        from toneapp.measured_library import analyse_with

        return analyse_with(None, growing.take)

    def _work_on_run(
        self, label: str, job: Callable[[Library, Progress], None], number: Callable[[], int]
    ) -> Task | None:
        """Do long work on a run; at its end, whichever it is, show what is in the library."""

        def end() -> None:
            if self._growing_id and self._growing_id == number():
                self._growing_id = 0
                if self.run_id == number():
                    self._load_run()

        def failed(message: str) -> None:
            if number():
                message += "; the recording is kept, it can be measured again from its instrument"
            self.failed.emit(message)
            end()

        task = self.work(label, job, lambda _none: end(), on_failed=failed)
        if task is not None:
            task.cancelled.connect(end)
        return task

    def _begin_to_grow(self, run: Run) -> None:
        self._growing_id = run.id
        self.choose_run(run.id)

    def _show_growing(self, run: RunOfInstrument) -> None:
        if self._growing_id and self._growing_id == run.run.id == self.run_id:
            self._run = run
            self.run_changed.emit(run)
