"""How loud is an input, and is the room quiet, before anything is recorded?

`InputMonitor` listens to a source and keeps nothing of it. It tells the level as it is now, what
there is to say about the room in its quietest stretch so far, and how the input is to be turned
by the loudest key struck so far. The caller polls; nothing waits for it.

Classes: `InputMonitor`, `InputReading`.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.capture.events import Fault, RoomReport
from toneapp.audio.capture.meter import CLIP_PEAK, PeakMeter, dbfs
from toneapp.audio.capture.ring import SampleRing
from toneapp.audio.capture.room_check import check_room, level_lines
from toneapp.audio.capture.sources import SoundSource
from toneapp.audio.capture.watching import FIRST_SOUND_S, RETRY_S, STALL_S
from toneapp.audio.capture.words import fault_text
from toneapp.errors import AudioDeviceError

__all__ = ["InputMonitor", "InputReading"]

logger = logging.getLogger(__name__)

RING_S = 10.0
ROOM_S = 2.5
ROOM_EVERY_S = 0.5
IDLE_S = 0.02
STRUCK_DB = 20.0
"""A peak so far above the noise of the room (A-weighted) is a key and no voice far away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputReading:
    """What an input gives, at one moment."""

    level_dbfs: float | None  # peak of the last tenth of a second; None for digital silence
    highest_dbfs: float | None  # peak of the last three seconds
    has_clipped: bool  # within the last three seconds
    report: RoomReport  # of the quietest stretch and the loudest key so far
    listened_s: float
    fault_text: str = ""  # why nothing is heard


class InputMonitor:
    """Listens to a source and keeps nothing.

    Parameters
    ----------
    source : SoundSource
        What is listened to.
    """

    def __init__(self, source: SoundSource) -> None:
        self.source = source
        self._rate = source.sample_rate_hz
        self._ring = SampleRing(int(RING_S * self._rate), source.channels)
        self._reader = self._ring.reader()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._meter = PeakMeter(self._rate)
        self._sound: deque[Float32Array] = deque()
        self._held = 0
        self._heard_s = 0.0
        self._room: RoomReport | None = None
        self._looked_s = 0.0
        self._peak = 0.0
        self._has_clipped = False
        self._reading = self._read("")

    def start(self) -> None:
        """Begin to listen; an input that cannot be opened is tried again, and said."""
        self._thread = threading.Thread(target=self._run, name="input level", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Let the input go; waits until it is free."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def reading(self) -> InputReading:
        """Level, room and faults as they are now."""
        return self._reading

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.source.start(self._ring)
            except AudioDeviceError as exc:
                self._reading = self._read(str(exc))
                self._stopping.wait(RETRY_S)
                continue
            self._listen()
            self.source.stop()

    def _listen(self) -> None:
        """Listen until the source gives nothing more or it is enough."""
        seen_s, patience_s = time.monotonic(), FIRST_SOUND_S
        while not self._stopping.wait(IDLE_S):
            if self._reader.waiting:
                seen_s, patience_s = time.monotonic(), STALL_S
                self._take_in()
                self._reading = self._read("")
            elif self.source.has_ended:
                self._stopping.wait()
            elif time.monotonic() - seen_s > patience_s:
                self._meter.forget()
                self._reading = self._read(_gone_text())
                self._stopping.wait(RETRY_S)
                return

    def _take_in(self) -> None:
        while (taken := self._reader.take(self._rate // 10)) is not None:
            self._heard_s += taken.samples.shape[0] / self._rate
            peak = self._meter.take(taken.samples)
            mono = np.ascontiguousarray(taken.samples[:, self.source.channel])
            self._sound.append(mono)
            self._held += mono.size
            while self._held - self._sound[0].size >= ROOM_S * self._rate:
                self._held -= self._sound.popleft().size
            is_due = self._heard_s - self._looked_s >= ROOM_EVERY_S
            if self._held >= ROOM_S * self._rate and is_due:
                self._looked_s = self._heard_s
                self._see_room(np.concatenate(list(self._sound)))
            self._see_peak(peak)

    def _see_room(self, sound: Float32Array) -> None:
        """Keep what is said of the quietest stretch: in the others somebody plays or talks."""
        report = check_room(sound, sample_rate_hz=self._rate)
        before = self._room
        if (
            before is None
            or report.noise_dbfs is None
            or before.noise_dbfs is None
            or report.noise_dbfs <= before.noise_dbfs
        ):
            self._room = report

    def _see_peak(self, peak: float) -> None:
        """Keep the loudest key; before the room is known nothing is taken for one."""
        noise = None if self._room is None else self._room.noise_dbfs
        if noise is None or peak <= 0.0 or 20.0 * np.log10(peak) < noise + STRUCK_DB:
            return
        self._peak = max(self._peak, peak)
        self._has_clipped = self._has_clipped or peak >= CLIP_PEAK

    def _read(self, fault: str) -> InputReading:
        turn_db, lines = level_lines(self._peak, has_clipped=self._has_clipped)
        room = self._room or RoomReport(noise_dbfs=None)
        report = replace(
            room,
            peak_dbfs=dbfs(self._peak),
            turn_db=turn_db,
            lines=room.lines + lines,
        )
        return InputReading(
            level_dbfs=self._meter.level_dbfs,
            highest_dbfs=self._meter.highest_dbfs,
            has_clipped=self._meter.has_clipped,
            report=report,
            listened_s=self._heard_s,
            fault_text=fault,
        )


def _gone_text() -> str:
    return fault_text(Fault.DEVICE_GONE).partition(":")[0] + ": plug it in again"
