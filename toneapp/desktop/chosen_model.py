"""What is chosen in a window: instrument, run, a run beside it, and key?

`ChosenModel` loads what is chosen off the GUI thread, keeps it, and loads it again when it was
changed.

Classes: `ChosenModel`.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QObject, Signal

from toneapp.desktop.library_model import POLL_MS, LibraryModel
from toneapp.keyboard import KeyboardLayout
from toneapp.library import BeforeAfter, Instrument, Library, Run, RunOfInstrument, Worklist
from toneapp.results import NoteResult, StrikeResult

__all__ = ["ChosenModel"]

_RESULT_TABLES = {"result", "strike_edit", "take", "run", "instrument"}


class ChosenModel(LibraryModel):
    """A library and what is looked at in it.

    Parameters
    ----------
    poll_ms : int
        As in `LibraryModel`.

    Attributes
    ----------
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
    page_wanted : Signal(str)
        Go to the page of this name.
    sheet_wanted : Signal()
        A sheet of certain runs is wanted; `take_runs_for_sheet` names them.
    """

    instrument_changed = Signal(int)
    run_changed = Signal(object)
    compared_run_changed = Signal(object)
    comparison_changed = Signal(object)
    worklist_changed = Signal(object)
    note_changed = Signal(int)
    page_wanted = Signal(str)
    sheet_wanted = Signal()

    def __init__(self, *, poll_ms: int = POLL_MS, parent: QObject | None = None) -> None:
        super().__init__(poll_ms=poll_ms, parent=parent)
        self._instrument: Instrument | None = None
        self._run_facts: Run | None = None
        self._run: RunOfInstrument | None = None
        self._compared_id: int | None = None
        self._compared: RunOfInstrument | None = None
        self._comparison: BeforeAfter | None = None
        self._worklist: Worklist | None = None
        self._midi = 0
        self._runs_for_sheet: tuple[int, ...] = ()
        self._growing_id = 0  # of the run that is being measured for the first time

    # What is looked at

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
    def is_growing(self) -> bool:
        """Whether the chosen run is being measured for the first time."""
        return self._growing_id != 0 and self._growing_id == self.run_id

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

    def want_sheet_of(self, run_ids: Sequence[int]) -> None:
        """Ask for a sheet of some runs, and for the page that makes it."""
        self._runs_for_sheet = tuple(run_ids)
        self.sheet_wanted.emit()
        self.go("sheet")

    def take_runs_for_sheet(self) -> tuple[int, ...]:
        """Return the runs that a sheet was asked of, once; empty when none was."""
        asked, self._runs_for_sheet = self._runs_for_sheet, ()
        return asked

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

    # Inside

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
            if run_id != self.run_id:
                return  # another one was chosen meanwhile
            run, worklist = found or (None, None)
            if run is None and self.is_growing:
                return  # what is known so far stays until it is complete
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

    def _forget_chosen(self) -> None:
        """Choose nothing, since another library was opened."""
        self.compare_with(None)
        self._set_instrument(None)
        self._set_run_facts(None)

    def _take_up(self, tables: set[str]) -> None:
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
