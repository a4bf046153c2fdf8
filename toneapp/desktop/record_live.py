"""What does the window do with what a recording tells, while it goes on?

Classes: `RecordLive`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from PySide6.QtCore import QObject
from PySide6.QtGui import QAction

from toneapp.audio.capture import (
    Blow,
    BlowJudged,
    Command,
    Event,
    GainMoves,
    Overrun,
    RoomChecked,
    RoomReport,
    RunKind,
    Snapshot,
    State,
)
from toneapp.desktop.evenness_view import EvennessView
from toneapp.desktop.record_growth import RecordGrowth, growing_view
from toneapp.desktop.record_session import Phase, RecordSession
from toneapp.desktop.record_sounds import VerdictSounds
from toneapp.desktop.record_view import RecordView
from toneapp.desktop.record_words import stage_view
from toneapp.desktop.workers import Tasks
from toneapp.library import Instrument, Purpose, Run

__all__ = ["RecordLive"]


class RecordLive(QObject):
    """Takes events and states of a session to the view and to the ear.

    Parameters
    ----------
    session : RecordSession
    view : RecordView
    tasks : Tasks
        Judges the blows so far in another thread.
    pause : QAction
        Says what it does now.
    clock_s : callable
        Seconds that go on.
    """

    def __init__(
        self,
        session: RecordSession,
        view: RecordView,
        tasks: Tasks,
        pause: QAction,
        parent: QObject | None = None,
        *,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(parent)
        self.growth = RecordGrowth()
        self.sounds = VerdictSounds(tasks, session.announce_signal)
        self._session = session
        self._view = view
        self._tasks = tasks
        self._pause = pause
        self._clock_s = clock_s
        self._kind = RunKind.EVENNESS
        self._instrument = Instrument(name="")
        self._report = RoomReport(noise_dbfs=None)
        self._warnings: tuple[str, ...] = ()
        self._judged_s = 0.0
        session.events_came.connect(self._take)
        session.seen.connect(self._see)

    def begin(self, kind: RunKind, instrument: Instrument, blows: Sequence[Blow] = ()) -> None:
        """Begin with another recording; `blows` are those of before it was left."""
        self._kind = kind
        self._instrument = instrument
        self._warnings = ()
        self._report = RoomReport(noise_dbfs=None)
        self._judged_s = 0.0
        self.growth.begin(blows)
        self._view.show_room(self._report)
        self._view.show_lanes(None, last=0)

    def do(self, command: Command) -> None:
        """Give a command; what was said of the last blow is over then."""
        self.growth.forget_last()
        self._session.do(command)

    def pause(self) -> None:
        """Pause, or go on; when all keys are there, finish."""
        seen = self._session.snapshot()
        if seen is None:
            return
        if seen.state is State.DONE:
            self._session.finish()
        else:
            is_paused = seen.state is State.PAUSED
            self._session.do(Command.GO_ON if is_paused else Command.PAUSE)

    # Inside

    def _take(self, events: list[Event]) -> None:
        """Take up what the engine tells."""
        self.sounds.take(events)
        is_other = self.growth.take(events)
        for event in events:
            match event:
                case BlowJudged():
                    self._judged_s = self._clock_s()
                case RoomChecked():
                    self._report = event.report
                    self._view.show_room(self._report, self._warnings)
                case GainMoves():
                    self._warnings = (event.text,)
                    self._view.show_room(self._report, self._warnings)
                case Overrun():
                    self.growth.forget_last()
        if is_other and self._kind is not RunKind.REPETITION:
            self._grow()

    def _see(self, seen: Snapshot) -> None:
        """Show the recording as it is now."""
        self.sounds.see(seen)
        last = self.growth.last
        self._view.show_stage(
            stage_view(
                seen,
                last,
                kind=self._kind,
                since_verdict_s=self._clock_s() - self._judged_s,
            )
        )
        self._view.show_snapshot(seen)
        plan = self._session.plan
        if plan is not None:
            self._view.show_keys(plan)
        self._view.show_levels(self.growth.levels(), last=0 if last is None else last.midi)
        is_paused = seen.state is State.PAUSED
        words = "Go on" if is_paused else "Finish" if seen.state is State.DONE else "Pause"
        text = f"{words} (Space)"
        if self._pause.text() != text:
            self._pause.setText(text)

    def _grow(self) -> None:
        """Judge the blows so far in another thread and show their lanes."""
        strikes, instrument = self.growth.strikes(), self._instrument
        purpose = Purpose(self._kind.value)
        run = Run(instrument_id=instrument.id, condition="as far as recorded", purpose=purpose)
        self._tasks.start(
            lambda _progress: growing_view(strikes, instrument=instrument, run=run),
            on_done=self._show_lanes,
            on_failed=lambda _message: None,
            key=f"growing {id(self)}",
        )

    def _show_lanes(self, view: EvennessView) -> None:
        if self._session.phase is not Phase.NONE:
            last = self.growth.last
            self._view.show_lanes(view, last=0 if last is None else last.midi)
