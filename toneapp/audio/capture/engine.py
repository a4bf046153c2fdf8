"""What keeps a recording going: source, disk, listening and judgement, each at its own pace?

Three threads beside the one that the sound system calls: one writes to the disk, one listens and
judges, one watches that sound arrives. They share the ring, which nobody waits for, and queues.
The caller polls `CaptureEngine.poll` and `CaptureEngine.snapshot` and gives commands with
`CaptureEngine.do`; none of these waits.

Classes: `CaptureEngine`.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from toneapp.audio.capture.closing import ClosedRun
from toneapp.audio.capture.conductor import Conductor
from toneapp.audio.capture.disk_writer import DiskWriter
from toneapp.audio.capture.events import (
    Blow,
    BlowJudged,
    BlowRevised,
    Command,
    Event,
    Fault,
    Interrupted,
    Overrun,
    PartClosed,
    Resumed,
    Snapshot,
)
from toneapp.audio.capture.judging import Measure
from toneapp.audio.capture.meter import PeakMeter
from toneapp.audio.capture.plan import KeyPlan
from toneapp.audio.capture.ring import SampleRing
from toneapp.audio.capture.run_folder import RunFolder, blow_to_json
from toneapp.audio.capture.sources import SoundSource
from toneapp.audio.capture.verdicts import Instrument
from toneapp.audio.capture.watching import FaultCame, FaultWent, InputWatcher, Watch
from toneapp.audio.capture.wav_part import LARGEST_PART_BYTES
from toneapp.audio.capture.words import fault_text, resumed_text

__all__ = ["CaptureEngine"]

logger = logging.getLogger(__name__)

RING_S = 60.0
"""Sound that the ring holds: a disk may stand still for so long."""

FEED_FRAMES = 1024
IDLE_S = 0.006
WRITE_EVERY_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class _SoundLost:
    ring_frame: int
    frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Signal:
    seconds: float


_Message = Command | FaultCame | FaultWent | _SoundLost | _Signal


class CaptureEngine:
    """Records one run.

    Parameters
    ----------
    source : SoundSource
        Microphone or file.
    folder : RunFolder
        Where the recording lies; new, or one that is gone on with.
    plan : KeyPlan
        What is to be played.
    measure : callable
        Measures one blow, such as `toneapp.analysis.live.LiveMeasure`.
    instrument : Instrument
        What is known of it.
    checks_room : bool
        Listen to the room before the first key.
    watch : Watch
        The time.
    ring_s : float
        Sound that the ring holds.
    largest_part_bytes : int
        Size at which a new part begins.
    """

    def __init__(
        self,
        source: SoundSource,
        folder: RunFolder,
        plan: KeyPlan,
        measure: Measure,
        *,
        instrument: Instrument | None = None,
        checks_room: bool = True,
        watch: Watch | None = None,
        ring_s: float = RING_S,
        largest_part_bytes: int = LARGEST_PART_BYTES,
    ) -> None:
        self.source = source
        self.folder = folder
        self.plan = plan
        self.measure_s: deque[float] = deque(maxlen=1000)  # how long the measuring took
        self._watch = watch or Watch()
        self._rate = source.sample_rate_hz
        self._ring = SampleRing(int(ring_s * self._rate), source.channels)
        self._writer = DiskWriter(
            folder,
            self._ring,
            sample_rate_hz=self._rate,
            clock=self._watch.now_s,
            largest_part_bytes=largest_part_bytes,
        )
        self._reader = self._ring.reader()
        self._conductor = Conductor(
            plan,
            measure=self._timed(measure),
            instrument=instrument or Instrument(),
            sample_rate_hz=self._rate,
            first=folder.frames_before,
            blows=folder.blows_before,
            checks_room=checks_room,
        )
        self._inbox: queue.SimpleQueue[_Message] = queue.SimpleQueue()
        self._events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._closing = threading.Event()
        self._stopping = threading.Event()
        self._drained = threading.Event()
        self._faults: dict[Fault, str] = {}
        self._overruns = 0
        self._lost = 0
        self._problems: list[str] = list(folder.problems)
        self._meter = PeakMeter(self._rate)
        self._left_out = plan.left_out
        self._threads: list[threading.Thread] = []
        self._watcher: threading.Thread | None = None
        self._closed: ClosedRun | None = None
        self._snapshot = self._make_snapshot()

    # -- for the caller --------------------------------------------------------------------------

    def start(self) -> None:
        """Open the source and begin.

        Raises
        ------
        AudioDeviceError
            If the source cannot be opened; nothing runs then.
        """
        self.source.start(self._ring)
        self._events.put(self._conductor.state_event())
        self._threads = [
            threading.Thread(target=self._write_loop, name="recording: disk", daemon=True),
            threading.Thread(target=self._listen_loop, name="recording: listening", daemon=True),
        ]
        watcher = InputWatcher(
            self.source,
            self._ring,
            tell=self._inbox.put,
            closing=self._closing,
            watch=self._watch,
        )
        self._watcher = threading.Thread(
            target=watcher.run, name="recording: watching", daemon=True
        )
        for thread in (*self._threads, self._watcher):
            thread.start()

    def do(self, command: Command) -> None:
        """Give a command; it is carried out between two blocks of sound."""
        self._inbox.put(command)

    def announce_signal(self, seconds: float) -> None:
        """Say that a signal is about to sound, which is no blow."""
        self._inbox.put(_Signal(seconds=seconds))

    def poll(self) -> list[Event]:
        """Get the events that have come up since the last time, in their order."""
        events = []
        while True:
            try:
                events.append(self._events.get_nowait())
            except queue.Empty:
                return events

    def snapshot(self) -> Snapshot:
        """State, level and counts as they are now."""
        return self._snapshot

    @property
    def has_ended(self) -> bool:
        """Whether the source gives no more sound and all of it was listened to."""
        return self._drained.is_set()

    @property
    def blows(self) -> tuple[Blow, ...]:
        """All blows so far."""
        return tuple(self._conductor.blows)

    def wait_until_ended(self, timeout_s: float | None = None) -> bool:
        """Wait for the end of a file; whether it came in time."""
        return self._drained.wait(timeout_s)

    def close(self) -> ClosedRun:
        """Stop, write everything and close the parts; may be called again."""
        if self._closed is not None:
            return self._closed
        # First those who would open the source again, then the source, then those who take up
        # what it gave to the last.
        self._closing.set()
        if self._watcher is not None:
            self._watcher.join()
        self.source.stop()
        self._stopping.set()
        for thread in self._threads:
            thread.join()
        for news in self._writer.close():
            if news.closed is not None:
                self._events.put(PartClosed(path=news.closed[0], frames=news.closed[1]))
        self._emit(self._conductor.do(Command.STOP))
        self._snapshot = self._make_snapshot()
        problems = list(self._problems)
        if self._overruns or self._lost:
            seconds = self._lost / self._rate
            problems.append(
                f"the computer was too slow {self._overruns} times while recording"
                + (f"; {seconds:.2f} s of sound are missing" if self._lost else "")
            )
        self._closed = ClosedRun(
            folder=self.folder,
            parts=tuple(self.folder.parts),
            frames=self.folder.frames_before + self._writer.frames,
            blows=tuple(self._conductor.blows),
            is_done=self.plan.current is None,
            overruns=self._overruns,
            lost_frames=self._lost,
            problems=tuple(dict.fromkeys(problems)),
        )
        self.folder.release()
        return self._closed

    # -- writing ---------------------------------------------------------------------------------

    def _write_loop(self) -> None:
        came_at_s = 0.0
        while not self._stopping.wait(WRITE_EVERY_S):
            for news in self._writer.step():
                if news.closed is not None:
                    self._events.put(PartClosed(path=news.closed[0], frames=news.closed[1]))
                if news.lost is not None:
                    self._inbox.put(_SoundLost(ring_frame=news.lost[0], frames=news.lost[1]))
                if news.fault is not None:
                    for other in (Fault.DISK_FULL, Fault.FOLDER_GONE, Fault.DISK_FAULT):
                        if other in self._faults and other is not news.fault:
                            self._inbox.put(FaultWent(fault=other, away_s=0.0))
                    came_at_s = self._watch.now_s()
                    self._inbox.put(FaultCame(fault=news.fault, text=fault_text(news.fault)))
                if news.is_well:
                    away_s = self._watch.now_s() - came_at_s
                    for fault in (Fault.DISK_FULL, Fault.FOLDER_GONE, Fault.DISK_FAULT):
                        self._inbox.put(FaultWent(fault=fault, away_s=away_s))

    # -- listening -------------------------------------------------------------------------------

    def _listen_loop(self) -> None:
        while True:
            is_last = self._stopping.is_set()
            self._take_messages()
            taken = self._reader.take(FEED_FRAMES)
            if taken is None:
                if is_last or (self.source.has_ended and not self._reader.waiting):
                    self._guarded(self._conductor.finish)
                    self._take_messages()
                    self._journal_left_out()
                    self._snapshot = self._make_snapshot()
                    self._drained.set()
                    if is_last or self._stopping.wait(IDLE_S):
                        return
                    continue
                time.sleep(IDLE_S)
                continue
            for mark in taken.marks:
                if mark.kind == "overflow":
                    self._note_overrun(self._writer.run_frame(taken.first), None)
            if taken.lost or any(mark.kind == "gap" for mark in taken.marks):
                self._begin_anew(taken.first)
            if self._faults:
                continue
            mono = np.ascontiguousarray(taken.samples[:, self.source.channel])
            self._meter.take(taken.samples)
            self._guarded(lambda sound=mono: self._conductor.feed(sound))  # type: ignore[misc]
            self._snapshot = self._make_snapshot()

    def _guarded(self, work: Callable[[], list[Event]]) -> None:
        """Let a fault of the program cost a blow and not the run."""
        try:
            events = work()
        except Exception:  # a worker's outer frame: logged, said, and the sound is kept
            logger.exception("a fault while listening")
            text = fault_text(Fault.PROGRAM)
            self._events.put(Interrupted(fault=Fault.PROGRAM, text=text))
            self._problems.append("a fault of the program came up while recording")
            self.folder.note({"problem": self._problems[-1]})
            self._begin_anew(self._reader.position)
            self._events.put(Resumed(fault=Fault.PROGRAM, text=text, away_s=0.0))
            return
        self._emit(events)

    def _begin_anew(self, ring_frame: int) -> None:
        self._emit(self._conductor.gap(self._writer.run_frame(ring_frame)))

    def _take_messages(self) -> None:
        while True:
            try:
                message = self._inbox.get_nowait()
            except queue.Empty:
                return
            match message:
                case Command():
                    self._guarded(lambda command=message: self._conductor.do(command))  # type: ignore[misc]
                    self._journal_left_out()
                case FaultCame():
                    self._faults[message.fault] = message.text
                    self._emit(self._conductor.interrupt())
                    self._events.put(Interrupted(fault=message.fault, text=message.text))
                    self.folder.note({"fault": message.fault.value, "at_s": self._now_s()})
                case FaultWent():
                    if self._faults.pop(message.fault, None) is None:
                        continue
                    text = resumed_text(message.fault, message.away_s)
                    self._events.put(
                        Resumed(fault=message.fault, text=text, away_s=message.away_s)
                    )
                    if not self._faults:
                        self._begin_anew(self._reader.position)
                        self._emit(self._conductor.resume())
                case _SoundLost():
                    self._lost += message.frames
                    self._note_overrun(self._writer.run_frame(message.ring_frame), message.frames)
                case _Signal():
                    self._conductor.be_deaf(message.seconds)
                    self.folder.note({"signal_s": message.seconds, "at_s": self._now_s()})
            self._snapshot = self._make_snapshot()

    def _note_overrun(self, run_frame: int, frames: int | None) -> None:
        at_s = run_frame / self._rate
        self._overruns += 1
        self._conductor.lose(at_s)
        self._events.put(Overrun(at_s=at_s, frames=frames))
        self.folder.note({"overrun_frames": frames, "at_s": at_s})
        self.folder.note({"problem": f"the computer was too slow at {at_s:.1f} s"})

    def _journal_left_out(self) -> None:
        if self.plan.left_out != self._left_out:
            self._left_out = self.plan.left_out
            self.folder.note({"left_out": list(self._left_out)})

    def _emit(self, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, BlowJudged | BlowRevised):
                self.folder.note({"blow": blow_to_json(event.blow)})
            if isinstance(event, BlowJudged) and self.source.is_live and not event.blow.is_cut:
                event = replace(event, latency_s=self._since_s(event.blow.end_s))
            self._events.put(event)

    def _since_s(self, run_s: float) -> float:
        """Time that has passed since the sound of a moment of the run arrived."""
        behind = self._now_frame() - run_s * self._rate + self._reader.waiting
        arrived_s = self._ring.written_at_s - behind / self._rate
        return max(time.perf_counter() - arrived_s, 0.0)

    def _now_frame(self) -> int:
        return self._writer.run_frame(self._reader.position)

    def _now_s(self) -> float:
        return self._now_frame() / self._rate

    def _timed(self, measure: Measure) -> Measure:
        def timed(blow):  # type: ignore[no-untyped-def]  # the same signature as `measure`
            began_s = time.perf_counter()
            try:
                return measure(blow)
            finally:
                self.measure_s.append(time.perf_counter() - began_s)

        return timed

    def _make_snapshot(self) -> Snapshot:
        fault = next(iter(self._faults), None)
        return Snapshot(
            state=self._conductor.state,
            ask=self.plan.current,
            at_s=self._now_s(),
            level_dbfs=self._meter.level_dbfs,
            highest_dbfs=self._meter.highest_dbfs,
            has_clipped=self._meter.has_clipped,
            held_s=self._conductor.held_s,
            good=self.plan.good,
            wanted=self.plan.wanted,
            overruns=self._overruns,
            lost_frames=self._lost,
            may_sound=self._conductor.may_sound,
            fault=fault,
            fault_text="" if fault is None else self._faults[fault],
        )
