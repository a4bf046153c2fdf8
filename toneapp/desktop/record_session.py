"""How does a recording run beside the window, and how does the window hear of it?

`RecordSession` opens a recording off the GUI thread, looks at it with a timer, and tells what it
saw in signals. Nothing here waits for the sound, and the sound waits for nothing here: the
engine's `poll` and `snapshot` only take what lies ready.

Classes: `RecordSession`, `Phase`, `Recorded`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from PySide6.QtCore import QObject, QTimer, Signal

from toneapp.audio.capture import (
    CaptureEngine,
    ClosedRun,
    Command,
    KeyPlan,
    Measure,
    RunFolder,
    RunPlan,
    Snapshot,
    SoundSource,
    UnfinishedRun,
    warm_up,
)
from toneapp.desktop.workers import Progress, Tasks
from toneapp.library.recorded import RecordedFacts

__all__ = ["Phase", "RecordSession", "Recorded"]

LOOK_MS = 33
"""How often the window looks at the recording: each second picture of most screens."""


class Phase(Enum):
    """Where a recording stands."""

    NONE = "none"
    OPENING = "opening"
    RUNNING = "running"
    CLOSING = "closing"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recorded:
    """A recording that is over and waits to be taken into the library."""

    closed: ClosedRun
    facts: RecordedFacts


class _Opening:
    """What the window and the thread that opens a recording share; no Qt object."""

    def __init__(self) -> None:
        self.is_unwanted = threading.Event()


def _live_measure() -> Measure:
    from toneapp.analysis.live import LiveMeasure

    return LiveMeasure()


class RecordSession(QObject):
    """One recording at a time.

    Parameters
    ----------
    tasks : Tasks
        Opens and closes it in another thread.
    new_measure : callable
        Makes what measures the blows of one run.

    Attributes
    ----------
    phase_changed : Signal(object)
        The new `Phase`.
    events_came : Signal(object)
        List of events of the engine, in their order.
    seen : Signal(object)
        `Snapshot` as it is now, some thirty times a second.
    failed : Signal(str)
        It could not be opened or closed.
    closed : Signal(object)
        `Recorded`, after `finish`.
    """

    phase_changed = Signal(object)
    events_came = Signal(object)
    seen = Signal(object)
    failed = Signal(str)
    closed = Signal(object)

    def __init__(
        self,
        tasks: Tasks,
        parent: QObject | None = None,
        *,
        new_measure: Callable[[], Measure] = _live_measure,
    ) -> None:
        super().__init__(parent)
        self._tasks = tasks
        self._new_measure = new_measure
        self._phase = Phase.NONE
        self._engine: CaptureEngine | None = None
        self._facts = RecordedFacts()
        self._opening: _Opening | None = None
        self._look = QTimer(self)
        self._look.setInterval(LOOK_MS)
        self._look.timeout.connect(self.look_now)

    @property
    def phase(self) -> Phase:
        """Where the recording stands."""
        return self._phase

    @property
    def plan(self) -> KeyPlan | None:
        """Plan of the recording that runs."""
        return None if self._engine is None else self._engine.plan

    @property
    def facts(self) -> RecordedFacts:
        """Facts of the recording."""
        return self._facts

    @property
    def source(self) -> SoundSource | None:
        """Where the sound comes from."""
        return None if self._engine is None else self._engine.source

    def snapshot(self) -> Snapshot | None:
        """State as it is now."""
        return None if self._engine is None else self._engine.snapshot()

    # Beginning

    def begin(
        self,
        parent: Path,
        plan: RunPlan,
        facts: RecordedFacts,
        source: SoundSource,
        *,
        checks_room: bool = True,
    ) -> None:
        """Begin a new run in a folder of its own within `parent`."""

        def make() -> tuple[RunFolder, KeyPlan]:
            folder = RunFolder.create(
                parent,
                plan=plan,
                facts=facts.to_json(),
                sample_rate_hz=source.sample_rate_hz,
                channels=source.channels,
            )
            return folder, KeyPlan(plan)

        self._open(make, facts, source, checks_room=checks_room)

    def go_on(
        self, unfinished: UnfinishedRun, source: SoundSource, *, checks_room: bool = True
    ) -> None:
        """Go on with a run that was left behind, at its next key."""

        def make() -> tuple[RunFolder, KeyPlan]:
            return RunFolder.go_on(unfinished), unfinished.key_plan()

        facts = RecordedFacts.from_json(unfinished.facts)
        self._open(make, facts, source, checks_room=checks_room)

    def _open(
        self,
        make: Callable[[], tuple[RunFolder, KeyPlan]],
        facts: RecordedFacts,
        source: SoundSource,
        *,
        checks_room: bool,
    ) -> None:
        assert self._phase is Phase.NONE, "one recording at a time"
        self._facts = facts
        opening = _Opening()
        self._opening = opening
        new_measure = self._new_measure

        def work(_progress: Progress) -> CaptureEngine | None:
            measure = new_measure()
            warm_up(measure, sample_rate_hz=source.sample_rate_hz)
            folder, plan = make()
            is_new = not folder.frames_before
            try:
                engine = CaptureEngine(
                    source,
                    folder,
                    plan,
                    measure,
                    instrument=facts.for_judgement(),
                    checks_room=checks_room,
                )
                engine.start()
            except BaseException:
                _let_folder_go(folder, is_new=is_new)
                raise
            if opening.is_unwanted.is_set():
                engine.close()
                _let_folder_go(folder, is_new=is_new)
                return None
            return engine

        self._go_to(Phase.OPENING)
        self._tasks.start(work, on_done=self._opened, on_failed=self._not_opened)

    def _opened(self, engine: CaptureEngine | None) -> None:
        self._opening = None
        if engine is None:
            self._go_to(Phase.NONE)
            return
        self._engine = engine
        self._go_to(Phase.RUNNING)
        self._look.start()

    def _not_opened(self, message: str) -> None:
        self._opening = None
        self._go_to(Phase.NONE)
        self.failed.emit(message)

    # Running

    def do(self, command: Command) -> None:
        """Give a command to the recording that runs."""
        if self._engine is not None and self._phase is Phase.RUNNING:
            self._engine.do(command)

    def announce_signal(self, seconds: float) -> None:
        """Say that a signal is about to sound."""
        if self._engine is not None:
            self._engine.announce_signal(seconds)

    def look_now(self) -> None:
        """Take what has come up and tell it."""
        engine = self._engine
        if engine is None:
            return
        is_over = engine.has_ended
        events = engine.poll()
        if events:
            self.events_came.emit(events)
        self.seen.emit(engine.snapshot())
        if is_over and self._phase is Phase.RUNNING:
            self.finish()  # a file in place of a microphone is over

    # Ending

    def finish(self) -> None:
        """End the recording; `closed` follows."""
        engine = self._engine
        if engine is None or self._phase is not Phase.RUNNING:
            return
        self._go_to(Phase.CLOSING)
        self._tasks.start(
            lambda _progress: engine.close(), on_done=self._finished, on_failed=self._not_closed
        )

    def leave(self) -> None:
        """End the recording at once and leave it as it is, to be gone on with another time."""
        if self._opening is not None:
            self._opening.is_unwanted.set()
        self._look.stop()
        engine, self._engine = self._engine, None
        if engine is not None:
            closed = engine.close()
            if not closed.frames:
                closed.folder.remove()
        if self._phase is not Phase.OPENING:
            self._go_to(Phase.NONE)

    def _finished(self, closed: ClosedRun) -> None:
        self.look_now()
        self._look.stop()
        facts = self._facts
        self._engine = None
        self._go_to(Phase.NONE)
        self.closed.emit(Recorded(closed=closed, facts=facts))

    def _not_closed(self, message: str) -> None:
        self._look.stop()
        self._engine = None
        self._go_to(Phase.NONE)
        self.failed.emit(message)

    def _go_to(self, phase: Phase) -> None:
        if phase is not self._phase:
            self._phase = phase
            self.phase_changed.emit(phase)


def _let_folder_go(folder: RunFolder, *, is_new: bool) -> None:
    """Remove a folder that holds nothing yet; leave one that was recorded in before."""
    if is_new:
        folder.remove()
    else:
        folder.release()
