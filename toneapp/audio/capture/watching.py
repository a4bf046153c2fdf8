"""Does sound still arrive, at its rate, and was the machine asleep?

Classes: `InputWatcher`, `Watch`, `FaultCame`, `FaultWent`.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from toneapp.audio.capture.events import Fault
from toneapp.audio.capture.ring import SampleRing
from toneapp.audio.capture.sources import InputRefused, SoundSource
from toneapp.audio.capture.words import fault_text
from toneapp.errors import AudioDeviceError

__all__ = [
    "FIRST_SOUND_S",
    "RETRY_S",
    "STALL_S",
    "FaultCame",
    "FaultWent",
    "InputWatcher",
    "Watch",
]

logger = logging.getLogger(__name__)

WATCH_EVERY_S = 0.1

STALL_S = 1.5
FIRST_SOUND_S = 4.0
RETRY_S = 1.0
"""An input is gone when it gives no sound for so long (longer at its beginning), and is tried
again so often."""

SLEEP_S = 2.0
RATE_WINDOW_S = 20.0
RATE_TOLERANCE = 0.03
RATE_WINDOWS = 2
"""The rate at which sound arrives, over twenty seconds twice in a row, against the one that was
asked for: clocks differ by less than a thousandth, and 44.1 from 48 kHz by 8 %."""


class Watch:
    """Time as the engine sees it; tests use another."""

    def now_s(self) -> float:
        """Monotonic time in s."""
        return time.monotonic()

    def asleep_s(self) -> float:
        """Time in s that the machine has slept so far, with any constant added."""
        if hasattr(time, "CLOCK_BOOTTIME"):
            return time.clock_gettime(time.CLOCK_BOOTTIME) - time.monotonic()
        # Elsewhere a step of the wall clock cannot be told from sleep; the run goes on either way.
        return time.time() - time.monotonic()


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCame:
    """The run cannot go on for now."""

    fault: Fault
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultWent:
    """It can go on."""

    fault: Fault
    away_s: float


class _Pace:
    """Sees whether sound arrives at the rate that was asked for."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._since: tuple[int, float] | None = None  # frames, and when
        self._wrong = 0

    def is_wrong(self, frames: int, now_s: float) -> bool:
        """Take notice of the frames that have arrived."""
        if self._since is None:
            self._since = (frames, now_s)
        frames_before, before_s = self._since
        if now_s - before_s < RATE_WINDOW_S:
            return False
        arrived = (frames - frames_before) / (now_s - before_s)
        self._since = (frames, now_s)
        is_off = abs(arrived / self._rate - 1.0) > RATE_TOLERANCE
        if is_off:
            logger.warning("%.0f frames a second arrive", arrived)
        self._wrong = self._wrong + 1 if is_off else 0
        return self._wrong >= RATE_WINDOWS


class InputWatcher:
    """Sees that sound arrives, and opens the source again when it does not.

    Parameters
    ----------
    source : SoundSource
        What is watched.
    ring : SampleRing
        Where its sound arrives.
    tell : callable
        Takes `FaultCame` and `FaultWent`.
    closing : Event
        Set when the recording is closed.
    watch : Watch
        The time.
    """

    def __init__(
        self,
        source: SoundSource,
        ring: SampleRing,
        *,
        tell: Callable[[FaultCame | FaultWent], object],
        closing: threading.Event,
        watch: Watch,
    ) -> None:
        self._source = source
        self._ring = ring
        self._tell = tell
        self._closing = closing
        self._watch = watch

    def run(self) -> None:
        """Watch until the recording is closed, or the source is over."""
        if not self._source.is_live:
            return
        rate = self._source.sample_rate_hz
        slept_s = self._watch.asleep_s()
        seen, seen_at_s = self._ring.written, self._watch.now_s()
        patience_s = FIRST_SOUND_S
        pace = _Pace(rate)
        while not self._closing.wait(WATCH_EVERY_S):
            if self._source.has_ended:
                return
            now_s = self._watch.now_s()
            away_s = self._watch.asleep_s() - slept_s
            slept_s += away_s
            fault: Fault | None = None
            if away_s > SLEEP_S:
                fault = Fault.SLEPT
            elif self._ring.written > seen:
                seen, seen_at_s, patience_s = self._ring.written, now_s, STALL_S
                if pace.is_wrong(seen, now_s):
                    fault = Fault.RATE_CHANGED
            elif now_s - seen_at_s > patience_s or not self._source.is_alive:
                fault = Fault.DEVICE_GONE
            if fault is None:
                continue
            self._tell(FaultCame(fault=fault, text=fault_text(fault)))
            began_s = now_s
            self._source.stop()
            self._open_again(fault)
            now_s = self._watch.now_s()
            away_s = max(away_s, now_s - began_s)
            self._tell(FaultWent(fault=fault, away_s=away_s))
            slept_s = self._watch.asleep_s()
            seen, seen_at_s, patience_s = self._ring.written, now_s, STALL_S
            pace = _Pace(rate)

    def _open_again(self, fault: Fault) -> None:
        """Try the source until it gives sound again, or the run is stopped."""
        said = fault
        while not self._closing.is_set():
            before = self._ring.written
            self._ring.mark_gap()
            try:
                self._source.start(self._ring)
            except InputRefused as exc:
                if exc.fault is not said and exc.fault is not Fault.NO_DEVICE:
                    said = exc.fault
                    self._tell(FaultCame(fault=fault, text=str(exc)))
            except AudioDeviceError as exc:
                logger.debug("still no input: %s", exc)
            else:
                until_s = self._watch.now_s() + FIRST_SOUND_S
                while self._watch.now_s() < until_s and not self._closing.is_set():
                    if self._ring.written > before:
                        return
                    time.sleep(WATCH_EVERY_S / 2)
                self._source.stop()
            self._closing.wait(RETRY_S)
