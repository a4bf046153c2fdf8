"""Stand-ins for a microphone and for the machine it is plugged into, for tests of the capture."""

from __future__ import annotations

import threading

import numpy as np

from toneapp.audio.capture import Fault, InputRefused, Watch
from toneapp.audio.capture.ring import SampleRing


class Machine(Watch):
    """A machine that can be put to sleep."""

    def __init__(self) -> None:
        self.slept_s = 0.0

    def asleep_s(self) -> float:
        return self.slept_s


class Microphone:
    """An input that does what a test wants; its sound comes as fast as it is asked for."""

    name = "test microphone"
    sample_rate_hz = 48_000
    channels = 1
    channel = 0
    is_live = True
    has_ended = False

    def __init__(self, samples: np.ndarray) -> None:
        self.samples = samples
        self.position = 0
        self.is_plugged = True
        self.refusal: InputRefused | None = None
        self.starts = 0
        self.overflow_next = False
        self.is_patient = False  # waits with its silence, too, until there is room
        self._ring: SampleRing | None = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._until = 0

    @property
    def is_alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def start(self, ring: SampleRing) -> None:
        self.starts += 1
        if self.refusal is not None:
            raise self.refusal
        if not self.is_plugged:
            raise InputRefused("test microphone is not there", Fault.NO_DEVICE)
        self._ring = ring
        self._stop.clear()
        self._thread = threading.Thread(target=self._deliver, args=(ring,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def play_to(self, seconds: float) -> None:
        """Deliver the samples up to a time; then silence, little by little."""
        self._until = int(seconds * self.sample_rate_hz)

    def rewind(self) -> None:
        """Go back to the beginning, silent for now."""
        self._until = 0
        self.position = 0

    def _deliver(self, ring: SampleRing) -> None:
        quiet = np.zeros((240, 1), np.float32)
        while self.is_plugged and not self._stop.wait(0.004):
            if self.position >= self._until:
                if not self.is_patient or ring.behind < ring.capacity // 2:
                    ring.push(quiet)
                continue
            while self.position < self._until and ring.behind < ring.capacity // 2:
                block = self.samples[self.position : min(self.position + 512, self._until)]
                ring.push(block[:, None], has_lost=self.overflow_next)
                self.overflow_next = False
                self.position += block.size
