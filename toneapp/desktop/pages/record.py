"""Record a run at the piano, hands free: set-up, the run itself, and where it goes.

Classes: `RecordPage`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from PySide6.QtCore import Qt
from PySide6.QtGui import QFocusEvent, QHideEvent, QShowEvent
from PySide6.QtWidgets import QLabel, QMessageBox, QStackedWidget, QVBoxLayout, QWidget

from toneapp.audio.capture import (
    Blow,
    Command,
    RunPlan,
    SoundSource,
    State,
    UnfinishedRun,
)
from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.base import Page
from toneapp.desktop.questions import ask
from toneapp.desktop.record_choice import RecordChoice
from toneapp.desktop.record_input import InputChoice, source_of
from toneapp.desktop.record_keeping import Left, RecordKeeping
from toneapp.desktop.record_keys import RECORD_COMMANDS
from toneapp.desktop.record_live import RecordLive
from toneapp.desktop.record_memory import RecordMemory
from toneapp.desktop.record_offer import OfferPanel
from toneapp.desktop.record_session import Phase, Recorded, RecordSession
from toneapp.desktop.record_setup import SetupPanel
from toneapp.desktop.record_view import RecordView
from toneapp.desktop.repetition_panel import RepetitionPanel
from toneapp.desktop.repetition_view import RepetitionView
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.errors import ToneappError
from toneapp.library import Instrument, Leftover, Purpose, Run
from toneapp.library.place import recordings_folder
from toneapp.library.recorded import RecordedFacts, last_detune_semitones

__all__ = ["RecordPage"]

_COMMANDS = {
    "record_again": Command.AGAIN,
    "record_back": Command.BACK,
    "record_next": Command.NEXT,
    "record_skip": Command.SKIP,
    "record_keep": Command.KEEP,
    "record_room": Command.CHECK_ROOM,
}
"""Actions that are one command of the engine; pause and finish are more than that."""


class RecordPage(Page):
    """Set-up, recording, and what was left unfinished.

    Parameters
    ----------
    make_source : callable
        Makes the source of an input; microphones by default.
    """

    name: ClassVar[str] = "record"
    title: ClassVar[str] = "Record"
    empty_text: ClassVar[str] = (
        "A run belongs to an instrument. Add the instrument first; then its run is recorded here, "
        "key by key, hands free."
    )

    def __init__(
        self,
        model: AppModel,
        theme: Theme,
        actions: Actions,
        parent: QWidget | None = None,
        *,
        make_source: Callable[[InputChoice], SoundSource] = source_of,
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self._make_source = make_source
        self.session = RecordSession(model.tasks, self)
        self.keeping = RecordKeeping(model, self)
        self._question: QMessageBox | None = None
        self._may_close = False
        self._add_actions(actions)
        self.setup = SetupPanel(model, theme, actions, self.body, make_source=make_source)
        self.offers = OfferPanel(theme, self.body)
        self.view = RecordView(theme, actions, self.body)
        self.result = RepetitionPanel(theme, self.body)
        self.waiting = QLabel(self.body)
        self.live = RecordLive(self.session, self.view, model.tasks, actions["record_pause"], self)
        self.memory = RecordMemory(self, self.setup, actions)
        self._build()
        self._connect()
        self._enable()

    def follow(self) -> tuple[str, ...]:
        """Refresh when instruments, runs or the worklist change."""
        return ("library_changed", "instrument_changed", "run_changed", "worklist_changed")

    def empty_state(self) -> str:
        """Ask for an instrument, unless something is recorded or was left."""
        if self.session.phase is not Phase.NONE or not self.offers.is_empty:
            return ""
        has_one = self.model.read(lambda library: bool(library.instruments.all()), False)
        return "" if has_one else self.empty_text

    def empty_actions(self) -> tuple[str, ...]:
        """Offer to add an instrument."""
        return ("add_instrument", "example_workshop")

    def refresh(self) -> None:
        """Show what can be chosen; a recording goes on untouched."""
        for panel in (self.view, self.offers, self.result):
            panel.fit()
        self.waiting.setFont(self.theme.font(scale=1.6))
        if self.session.phase is not Phase.NONE:
            return
        if self.model.instrument is None:
            instruments = self.model.read(lambda library: library.instruments.all(), ())
            if len(instruments) == 1:
                self.model.choose_instrument(instruments[0].id)
        self.setup.refresh()
        self._listen()

    def showEvent(self, event: QShowEvent) -> None:
        """Listen to the input, and look for runs that were left behind."""
        super().showEvent(event)
        self.memory.recall()
        if self.session.phase is Phase.NONE:
            self.look_for_unfinished()
            self._listen()

    def hideEvent(self, event: QHideEvent) -> None:
        """Pause a recording that is left, and let the input go."""
        super().hideEvent(event)
        if event.spontaneous():
            return  # the whole window was put away: the recording goes on
        if self.session.phase is Phase.RUNNING:
            seen = self.session.snapshot()
            if seen is not None and seen.state is not State.DONE:
                self.session.do(Command.PAUSE)
                self.model.said.emit("The recording is paused; it goes on from the page Record")
        self.setup.input.stop()

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Give the keyboard to what is shown."""
        super().focusInEvent(event)
        if self.session.phase is not Phase.NONE:
            self.view.stage.setFocus(Qt.FocusReason.OtherFocusReason)
        elif self.offers.isVisible() and not self.offers.is_empty:
            self.offers.buttons()[0].setFocus(Qt.FocusReason.OtherFocusReason)
        elif self.setup.isVisible():
            self.setup.begin_button.setFocus(Qt.FocusReason.OtherFocusReason)

    def keeps_open(self) -> bool:
        """Ask before a recording is ended by closing the window."""
        if self._may_close or self.session.phase is Phase.NONE:
            return False
        if self.session.phase is Phase.RUNNING:
            self.session.do(Command.PAUSE)

        def close() -> None:
            self._may_close = True
            self.window().close()

        self._question = ask(
            self,
            "A run is being recorded. Close the window? What was recorded is kept, and the next "
            "start offers to go on with it.",
            "Close; keep what is there",
            close,
        )
        return True

    def let_go(self) -> None:
        """Leave a recording as it is, and let the input go."""
        self.session.leave()
        self.setup.input.stop_at_once()

    # Building

    def _add_actions(self, actions: Actions) -> None:
        actions.add(
            "record_begin",
            "Begin to record",
            on=self.begin,
            shortcut="Ctrl+R",
            help_text="Listen to the room, then ask for the first key.",
            page=self,
        )
        actions.add(
            "record_keys",
            "Keys and foot switch",
            on=lambda: self.memory.choose_keys(),
            help_text="Which single key does what while recording.",
            page=self,
        )
        actions.add(
            "record_repetition",
            "Show the repetition run",
            on=self.show_repetition,
            help_text="Figures of the chosen run, if it is a repetition run.",
            page=self,
        )
        for command in RECORD_COMMANDS:
            on = self._carrier_of(command.name)
            actions.add(
                command.name,
                f"{command.text} ({command.key})",
                on=on,
                shortcut=command.key,
                help_text=command.help_text,
                page=self,
            )

    def _carrier_of(self, name: str) -> Callable[[], None]:
        if name == "record_pause":
            return lambda: self.live.pause()
        if name == "record_finish":
            return self.session.finish
        command = _COMMANDS[name]
        return lambda: self.live.do(command)

    def _build(self) -> None:
        self.waiting.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.waiting.setWordWrap(True)
        self.panels = QStackedWidget(self.body)
        for panel in (self.setup, self.offers, self.view, self.waiting, self.result):
            self.panels.addWidget(panel)
        column = QVBoxLayout(self.body)
        column.setContentsMargins(GAP_PX, GAP_PX // 2, GAP_PX, GAP_PX // 2)
        column.addWidget(self.panels)

    def _connect(self) -> None:
        session = self.session
        session.phase_changed.connect(self._phase_changed)
        session.failed.connect(self._failed)
        session.closed.connect(self._closed)
        self.offers.go_on_wanted.connect(self.go_on)
        self.offers.close_wanted.connect(self.close_unfinished)
        self.offers.bin_wanted.connect(self.bin_unfinished)
        self.offers.adopt_wanted.connect(self._adopt)
        self.offers.bin_left_wanted.connect(self._bin_left)
        self.offers.later_wanted.connect(self._put_offers_away)
        self.keeping.kept.connect(self._kept)
        self.keeping.failed.connect(self._not_kept)
        self.keeping.repetition_measured.connect(self._show_result)
        self.result.done.connect(self._show_setup)

    # Beginning

    def begin(self) -> None:
        """Begin a new run as it is chosen."""
        library = self.model.library
        if library is None or self.session.phase is not Phase.NONE:
            return
        try:
            choice = self.setup.choice()
            plan = choice.plan()
        except ToneappError as exc:
            self.model.failed.emit(str(exc))
            return
        self.memory.keep_facts()
        number = choice.instrument.id
        self.model.ask(
            lambda library: last_detune_semitones(library, number),
            lambda detune: self._begin_with(choice, plan, detune),
            on_failed=self._failed,
        )
        self._wait("Opening the microphone")

    def _begin_with(self, choice: RecordChoice, plan: RunPlan, detune_semitones: float) -> None:
        library = self.model.library
        if library is None:
            return
        facts = choice.facts(detune_semitones=detune_semitones)
        parent = recordings_folder(library.folder)
        source = self._source(self.setup.input.choice())
        if source is None:
            return
        self._get_ready(plan, choice.instrument)
        self.setup.input.stop(lambda: self.session.begin(parent, plan, facts, source))

    def go_on(self, unfinished: UnfinishedRun) -> None:
        """Go on with a run that was left behind."""
        if self.session.phase is not Phase.NONE:
            return
        chosen = self.setup.input.choice()
        source = self._source(
            InputChoice(
                device=chosen.device,
                sample_rate_hz=unfinished.sample_rate_hz,
                channel=unfinished.channels - 1,
            )
        )
        if source is None:
            return
        number = RecordedFacts.from_json(unfinished.facts).instrument
        found = None
        if number is not None:
            owner = number
            found = self.model.read(lambda library: library.instruments.get(owner), None)
            self.model.choose_instrument(number)
        self._get_ready(unfinished.plan, found or Instrument(name=""), unfinished.blows)
        self._wait("Opening the microphone")
        self.setup.input.stop(lambda: self.session.go_on(unfinished, source))

    def _source(self, choice: InputChoice) -> SoundSource | None:
        try:
            return self._make_source(choice)
        except (ToneappError, ValueError) as exc:
            self._failed(str(exc))
            return None

    def _get_ready(
        self, plan: RunPlan, instrument: Instrument, blows: Sequence[Blow] = ()
    ) -> None:
        self.live.begin(plan.kind, instrument, blows)
        self.live.sounds.is_wanted = self.setup.signals.isChecked()
        self.live.sounds.player.device = self.memory.loudspeaker or None

    # While it goes on

    def _phase_changed(self, phase: Phase) -> None:
        self._enable()
        if phase is Phase.RUNNING:
            self.panels.setCurrentWidget(self.view)
            self.view.stage.setFocus(Qt.FocusReason.OtherFocusReason)
        elif phase is Phase.CLOSING:
            self._wait("Closing the recording")

    def _enable(self) -> None:
        is_running = self.session.phase is Phase.RUNNING
        for command in RECORD_COMMANDS:
            self.actions_of_window[command.name].setEnabled(is_running)
        self.actions_of_window["record_begin"].setEnabled(self.session.phase is Phase.NONE)

    # Ending

    def _failed(self, message: str) -> None:
        self.model.failed.emit(message)
        self._show_setup()

    def _closed(self, recorded: Recorded) -> None:
        self._wait("The recording is taken into the library")
        self.keeping.keep(recorded)

    def _kept(self, run: Run | None) -> None:
        """Go where the run is looked at."""
        self._show_setup()
        if run is None:
            return
        self.model.choose_run(run.id)
        if run.purpose is Purpose.REPETITION:
            self._wait("The repetition is measured")
            self.keeping.measure_repetition(run.id)
            return
        self.model.measure_run(run.id)
        self.model.go("ring_on" if run.purpose is Purpose.RING_ON else "evenness")

    def _not_kept(self, message: str) -> None:
        self.model.failed.emit(message)
        self._show_setup()
        self.look_for_unfinished()

    # The result of a repetition run

    def show_repetition(self) -> None:
        """Measure the chosen repetition run and show its figures."""
        run = self.model.run_facts
        if run is not None and run.purpose is Purpose.REPETITION:
            self._wait("The repetition is measured")
            self.keeping.measure_repetition(run.id)

    def _show_result(self, view: RepetitionView) -> None:
        self.setup.input.stop()
        self.result.show_result(view)
        self.panels.setCurrentWidget(self.result)

    # What was left unfinished

    def look_for_unfinished(self) -> None:
        """Look for runs that were left behind."""
        self.keeping.find_left(self._offer)

    def _offer(self, left: Left) -> None:
        shown = self.panels.currentWidget()
        if self.session.phase is not Phase.NONE or shown not in (self.setup, self.offers):
            return
        instruments = self.model.read(lambda library: library.instruments.all(), ())
        chosen = self.model.instrument or next(iter(instruments), None)
        self.offers.set_runs(
            left.runs,
            {item.id: item.name for item in instruments},
            left_over=left.sounds,
            instrument="" if chosen is None else chosen.name,
        )
        if not self.offers.is_empty:
            self.setup.input.stop()
            self.panels.setCurrentWidget(self.offers)
            self.refresh_now()
            if self.isVisible() and self.window().isActiveWindow():
                self.offers.buttons()[0].setFocus(Qt.FocusReason.OtherFocusReason)
        elif shown is self.offers:
            self._show_setup()

    def _adopt(self, left: Leftover) -> None:
        self._with_instrument(lambda number: self.keeping.adopt(left, number))

    def _bin_left(self, left: Leftover) -> None:
        self._with_instrument(lambda number: self.keeping.lay_left_in_bin(left, number))

    def _with_instrument(self, act: Callable[[int], None]) -> None:
        """Do something for the chosen instrument, or for the first one."""
        instruments = self.model.read(lambda library: library.instruments.all(), ())
        chosen = self.model.instrument or next(iter(instruments), None)
        if chosen is not None:
            self._wait("The sound is taken in")
            act(chosen.id)

    def close_unfinished(self, unfinished: UnfinishedRun) -> None:
        """Take a run that was left behind into the library as it is."""
        self._wait("The recording is taken into the library")
        self.keeping.close_unfinished(unfinished)

    def bin_unfinished(self, unfinished: UnfinishedRun) -> None:
        """Lay a run that was left behind in the bin."""
        self._wait("The recording is laid in the bin")
        self.keeping.bin_unfinished(unfinished)

    def _put_offers_away(self) -> None:
        self.offers.set_runs((), {})
        self._show_setup()

    # Inside

    def _show_setup(self) -> None:
        self.panels.setCurrentWidget(self.setup)
        self.mark_stale()
        self._listen()

    def _listen(self) -> None:
        """Hear the input, while the set-up is seen."""
        is_seen = self.isVisible() and not self.empty_state()
        if is_seen and self.panels.currentWidget() is self.setup:
            self.setup.input.start()

    def _wait(self, text: str) -> None:
        self.waiting.setText(f"{text} \N{HORIZONTAL ELLIPSIS}")
        self.panels.setCurrentWidget(self.waiting)
