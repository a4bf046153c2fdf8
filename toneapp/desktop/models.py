"""What does one window look at, and what can be done with it?

`AppModel` holds the library, the chosen instrument, run, compared run and key; it loads results
off the GUI thread, keeps them, and says what changed. It knows no widget and is tested without a
window. Several windows have a model each on the same library.

Classes: `AppModel`, `SoundPlace`.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from PySide6.QtCore import QObject, QTimer, Signal

from toneapp.desktop.workers import Lane, Progress, Task, Tasks
from toneapp.errors import ToneappError
from toneapp.keyboard import KeyboardLayout
from toneapp.library import (
    Analyse,
    BeforeAfter,
    Change,
    Instrument,
    Library,
    Run,
    RunOfInstrument,
    Worklist,
)
from toneapp.results import NoteResult, StrikeResult

__all__ = ["AppModel", "SoundPlace"]

logger = logging.getLogger(__name__)

POLL_MS = 1000
"""How often it is looked whether another program has written to the library."""

IMPORT_SHARE = 0.1
"""Share of the progress for taking a recording in; the rest is measuring it."""

_RESULT_TABLES = {"result", "strike_edit", "take", "run", "instrument"}

T = TypeVar("T")
D = TypeVar("D")


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundPlace:
    """Where a strike's sound lies."""

    path: Path  # FLAC of the library, to be read and never written
    scale: float  # samples that came in = samples in the file times this
    take_id: int
    part: str  # file within the take when it has several, else empty
    duration_s: float
    sample_rate_hz: int


class AppModel(QObject):
    """State of one window on a library.

    Parameters
    ----------
    analyse : callable, optional
        Makes the measuring function for the library; the measuring core by default.
    poll_ms : int
        Look for changes by other programs this often; 0 for never.

    Attributes
    ----------
    library_changed : Signal
        Something in the library is another: instruments, runs, worksheets, weights, the bin.
    instrument_changed : Signal(int)
        Another instrument was chosen (its number; 0 for none), or its facts changed.
    run_changed : Signal(object)
        `RunOfInstrument`, or None when there is none or it was not measured yet.
    compared_run_changed : Signal(object)
        The run beside it, `RunOfInstrument` or None.
    comparison_changed : Signal(object)
        `BeforeAfter` of the two, or None.
    worklist_changed : Signal(object)
        `Worklist` of the run, or None.
    note_changed : Signal(int)
        The chosen key, MIDI number; 0 for none.
    busy_changed : Signal(str, float)
        Long work and its share done; an empty text when there is none.
    failed : Signal(str)
        One sentence: what happened and what to do.
    said : Signal(str)
        One sentence of good news.
    page_wanted : Signal(str)
        Go to the page of this name.
    history_changed : Signal(str, str)
        What can be undone and what done again; empty when nothing can.
    """

    library_changed = Signal()
    instrument_changed = Signal(int)
    run_changed = Signal(object)
    compared_run_changed = Signal(object)
    comparison_changed = Signal(object)
    worklist_changed = Signal(object)
    note_changed = Signal(int)
    busy_changed = Signal(str, float)
    failed = Signal(str)
    said = Signal(str)
    page_wanted = Signal(str)
    history_changed = Signal(str, str)

    _told = Signal(object)  # a change of the library, from any thread

    def __init__(
        self,
        *,
        analyse: Callable[[], Analyse] | None = None,
        poll_ms: int = POLL_MS,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self.tasks = Tasks(self)
        self.tasks.failed.connect(self.failed)
        self.tasks.changed.connect(self._tell_busy)
        self._analyse = analyse
        self._library: Library | None = None
        self._owns_library = False
        self._unsubscribe: Callable[[], None] | None = None
        self._instrument: Instrument | None = None
        self._run_facts: Run | None = None
        self._run: RunOfInstrument | None = None
        self._compared_id: int | None = None
        self._compared: RunOfInstrument | None = None
        self._comparison: BeforeAfter | None = None
        self._worklist: Worklist | None = None
        self._midi = 0
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

    # What is looked at

    @property
    def library(self) -> Library | None:
        """The open library."""
        return self._library

    @property
    def instrument(self) -> Instrument | None:
        """The chosen instrument."""
        return self._instrument

    @property
    def instrument_id(self) -> int:
        """Number of the chosen instrument; 0 for none."""
        return 0 if self._instrument is None else self._instrument.id

    @property
    def layout(self) -> KeyboardLayout:
        """Compass and breaks of the chosen instrument, or the usual ones."""
        return KeyboardLayout() if self._instrument is None else self._instrument.layout()

    @property
    def run_id(self) -> int:
        """Number of the chosen run; 0 for none."""
        return 0 if self._run_facts is None else self._run_facts.id

    @property
    def run_facts(self) -> Run | None:
        """The chosen run, measured or not."""
        return self._run_facts

    @property
    def run(self) -> RunOfInstrument | None:
        """The chosen run with its result, once it is measured and loaded."""
        return self._run

    @property
    def compared_run_id(self) -> int:
        """Number of the run beside it; 0 for none."""
        return self._compared_id or 0

    @property
    def compared_run(self) -> RunOfInstrument | None:
        """The run beside it, once loaded."""
        return self._compared

    @property
    def comparison(self) -> BeforeAfter | None:
        """Both held against each other, the earlier one as before."""
        return self._comparison

    @property
    def worklist(self) -> Worklist | None:
        """What is to be done after the chosen run."""
        return self._worklist

    @property
    def midi(self) -> int:
        """The chosen key; 0 for none."""
        return self._midi

    @property
    def note(self) -> NoteResult | None:
        """Result of the chosen key in the chosen run."""
        if self._run is None:
            return None
        return next((note for note in self._run.result.notes if note.midi == self._midi), None)

    def strikes_of(
        self, midi: int, run: RunOfInstrument | None = None
    ) -> tuple[StrikeResult, ...]:
        """Strikes on a key, of the chosen run or of the one given."""
        run = self._run if run is None else run
        if run is None:
            return ()
        return tuple(strike for strike in run.result.strikes if strike.midi == midi)

    def go(self, page: str) -> None:
        """Ask the window for a page by its name."""
        self.page_wanted.emit(page)

    # The library

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
        self._library, self._owns_library = library, owns
        self._unsubscribe = library.subscribe(self._told.emit)
        self._set_instrument(None)
        self._set_run_facts(None)
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

    # Choosing

    def choose_instrument(self, instrument_id: int) -> None:
        """Choose an instrument (0 for none), and its latest run with it."""
        if instrument_id == self.instrument_id:
            return
        if not instrument_id:
            self._set_instrument(None)
            self.choose_run(0)
            return
        found = self.read(lambda library: library.instruments.get(instrument_id), None)
        if found is None:
            return
        self._set_instrument(found)
        runs = self.read(lambda library: library.runs.all(instrument_id), ())
        measured = self.read(lambda library: library.measuring.figures([r.id for r in runs]), {})
        ready = [run for run in runs if run.id in measured] or list(runs)
        self.choose_run(ready[-1].id if ready else 0)

    def choose_run(self, run_id: int) -> None:
        """Choose a run (0 for none), and its instrument; `run_changed` follows when loaded."""
        self.compare_with(None)
        if not run_id:
            self._set_run_facts(None)
            return
        facts = self.read(lambda library: library.runs.get(run_id), None)
        if facts is None:
            return
        if facts.instrument_id != self.instrument_id:
            owner = facts.instrument_id
            self._set_instrument(self.read(lambda library: library.instruments.get(owner), None))
        self._set_run_facts(facts)
        self._load_run()

    def compare_with(self, run_id: int | None) -> None:
        """Lay another run beside the chosen one; None for none."""
        if not run_id:
            had_one = self._compared_id is not None
            self._compared_id = None
            self._compared = None
            self._set_comparison(None)
            if had_one:
                self.compared_run_changed.emit(None)
            return
        self._compared_id = run_id
        self._load_compared()

    def choose_note(self, midi: int) -> None:
        """Choose a key; 0 for none."""
        if midi != self._midi:
            self._midi = midi
            self.note_changed.emit(midi)

    # Working on a run

    def measure_run(self, run_id: int | None = None) -> Task | None:
        """Measure a run (the chosen one by default) in the background."""
        wanted = run_id or self.run_id
        if not wanted:
            return None
        analyse = self._measuring_function()
        return self.work(
            f"measuring run {wanted}",
            lambda library, progress: library.measuring.measure(
                wanted, analyse, progress=progress
            ),
        )

    def import_run(self, run: Run, sound: Path) -> Task | None:
        """Take a recording in and measure it in the background; then it is the chosen run.

        Parameters
        ----------
        run : Run
            Its facts, with the number of its instrument.
        sound : Path
            One recording, or a folder with one a note.
        """
        analyse = self._measuring_function()
        taken: list[Run] = []

        def job(library: Library, progress: Progress) -> None:
            taken.append(
                library.runs.add(run, sound, progress=lambda share: progress(IMPORT_SHARE * share))
            )
            library.measuring.measure(
                taken[0].id,
                analyse,
                progress=lambda share: progress(IMPORT_SHARE + (1.0 - IMPORT_SHARE) * share),
            )

        def failed(message: str) -> None:
            if taken:
                message += "; the recording is kept, it can be measured again from its instrument"
            self.failed.emit(message)

        return self.work(
            f"measuring {sound.name}",
            job,
            lambda _none: self.choose_run(taken[0].id),
            on_failed=failed,
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

    def relabel_strike(self, strike: StrikeResult, midi: int) -> Task | None:
        """Say that a strike was on another key; it counts once the run is measured again."""
        return self._say_of_strike(
            strike,
            lambda library, place: library.strikes.relabel(
                place.take_id, strike.onset_s, midi, part=place.part
            ),
        )

    def discard_strike(self, strike: StrikeResult) -> Task | None:
        """Say that a strike is not to be counted."""
        return self._say_of_strike(
            strike,
            lambda library, place: library.strikes.discard(
                place.take_id, strike.onset_s, part=place.part
            ),
        )

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

        return self.edit(say)

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

    # Sound

    def sounds_of_run(self, run: RunOfInstrument | None = None) -> tuple[SoundPlace, ...]:
        """Recordings of a run (the chosen one by default), in their order."""
        run = self._run if run is None else run
        run_id = self.run_id if run is None else run.run.id
        if not run_id:
            return ()

        def places(library: Library) -> tuple[SoundPlace, ...]:
            return tuple(
                SoundPlace(
                    path=library.runs.sound_path(recording),
                    scale=recording.scale,
                    take_id=take.id,
                    part=recording.name if len(take.recordings) > 1 else "",
                    duration_s=recording.duration_s,
                    sample_rate_hz=recording.sample_rate_hz,
                )
                for take in library.runs.takes(run_id)
                if take.deleted_at is None
                for recording in take.recordings
            )

        return self.read(places, ())

    def sound_of_run(self, run: RunOfInstrument | None = None) -> Path | None:
        """FLAC of the run's one recording, or of the first of several."""
        places = self.sounds_of_run(run)
        return places[0].path if places else None

    def sound_of_strike(
        self, strike: StrikeResult, run: RunOfInstrument | None = None
    ) -> SoundPlace | None:
        """Where a strike's sound lies; its times count from the beginning of that file."""
        places = self.sounds_of_run(run)
        takes = {place.take_id for place in places}
        if strike.source.startswith("take ") and len(takes) > 1:
            run_id = self.run_id if run is None else run.run.id
            number = strike.source.removeprefix("take ")
            again = self.read(lambda library: library.runs.takes(run_id), ())
            wanted = {take.id for take in again if str(take.number) == number}
            return next((place for place in places if place.take_id in wanted), None)
        named = next((p for p in places if p.part and p.part == strike.source), None)
        return named or (places[0] if places else None)

    # Inside

    def _measuring_function(self) -> Analyse:
        if self._analyse is not None:
            return self._analyse()
        from toneapp.desktop.analysing import analyse_with

        return analyse_with(None)

    def _say_of_strike(
        self, strike: StrikeResult, say: Callable[[Library, SoundPlace], object]
    ) -> Task | None:
        place = self.sound_of_strike(strike)
        if place is None:
            self.failed.emit("the recording of this strike is not in the library any more")
            return None
        return self.edit(lambda library: say(library, place))

    def _set_instrument(self, instrument: Instrument | None) -> None:
        if instrument != self._instrument:
            self._instrument = instrument
            self.instrument_changed.emit(self.instrument_id)

    def _set_run_facts(self, facts: Run | None) -> None:
        is_other = (facts.id if facts else 0) != self.run_id
        self._run_facts = facts
        if is_other or facts is None:
            self._run = None
            self._worklist = None
            self.run_changed.emit(None)
            self.worklist_changed.emit(None)

    def _load_run(self) -> None:
        run_id = self.run_id

        def load(library: Library) -> tuple[RunOfInstrument, Worklist] | None:
            if run_id not in library.measuring.figures([run_id]):
                return None
            run = library.run_with_result(run_id)
            return run, library.worklists.of_run(run_id, run.result, run.run.purpose)

        def loaded(found: tuple[RunOfInstrument, Worklist] | None) -> None:
            run, worklist = found or (None, None)
            if run != self._run or run is None:
                self._run = run
                if run is not None:
                    self._run_facts = run.run
                self.run_changed.emit(run)
            if worklist != self._worklist:
                self._worklist = worklist
                self.worklist_changed.emit(worklist)
            self._compare()

        self.ask(load, loaded, key="run")

    def _load_compared(self) -> None:
        run_id = self._compared_id
        if run_id is None:
            return

        def loaded(run: RunOfInstrument) -> None:
            if run.run.id == self._compared_id:
                if run != self._compared:
                    self._compared = run
                    self.compared_run_changed.emit(run)
                self._compare()

        self.ask(lambda library: library.run_with_result(run_id), loaded, key="compared")

    def _load_worklist(self) -> None:
        run = self._run
        if run is None:
            return

        def loaded(worklist: Worklist) -> None:
            if run is self._run and worklist != self._worklist:
                self._worklist = worklist
                self.worklist_changed.emit(worklist)

        self.ask(
            lambda library: library.worklists.of_run(run.run.id, run.result, run.run.purpose),
            loaded,
            key="worklist",
        )

    def _compare(self) -> None:
        one, two = self._run, self._compared
        if one is None or two is None or one.instrument.id != two.instrument.id:
            self._set_comparison(None)
            return
        if one.run.id == two.run.id:
            self._set_comparison(None)
            return
        before, after = sorted((one, two), key=lambda item: (item.run.recorded_at, item.run.id))

        def compare(_library: Library) -> BeforeAfter:
            from toneapp.library import compare_before_after

            return compare_before_after(before, after)

        def compared(result: BeforeAfter) -> None:
            if one is self._run and two is self._compared:
                self._set_comparison(result)

        self.ask(compare, compared, key="comparison")

    def _set_comparison(self, comparison: BeforeAfter | None) -> None:
        if comparison is not self._comparison:
            self._comparison = comparison
            self.comparison_changed.emit(comparison)

    # Changes

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
        library = self._library
        if library is None:
            return
        tables, self._changed_tables = self._changed_tables, set()
        self.library_changed.emit()
        self._tell_history()
        self._refresh_chosen()
        if self.run_id and tables & _RESULT_TABLES:
            self._load_run()
            self._load_compared()
        elif "worklist_tick" in tables:
            self._load_worklist()

    def _refresh_chosen(self) -> None:
        """Read the chosen instrument and run again; what went to the bin is let go."""
        if self._instrument is not None:
            number = self._instrument.id
            found = self.read(lambda library: library.instruments.get(number), None)
            if found is None or found.deleted_at is not None:
                self._set_instrument(None)
                self.choose_run(0)
                return
            self._set_instrument(found)
        if self._run_facts is not None:
            number = self._run_facts.id
            facts = self.read(lambda library: library.runs.get(number), None)
            if facts is None or facts.deleted_at is not None:
                self.choose_run(0)
            else:
                self._run_facts = facts

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
        if self._unsubscribe is not None:
            self._unsubscribe()
            self._unsubscribe = None
        if self._library is not None and self._owns_library:
            with contextlib.suppress(ToneappError):
                self._library.close()
        self._library = None
