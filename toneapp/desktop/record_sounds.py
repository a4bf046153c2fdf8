"""How is a person at the piano told by ear how a blow was judged, and never during a strike?

Classes: `VerdictSounds`.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable

from toneapp.audio.capture import BlowJudged, Event, Interrupted, Snapshot, State
from toneapp.audio.playback import Player, Signal, signal_sound
from toneapp.desktop.workers import Tasks

__all__ = ["VerdictSounds"]

logger = logging.getLogger(__name__)

RATE_HZ = 48_000
LATEST_S = 1.5
"""A sound that could not be given within this time comes too late to mean anything."""

SLACK_S = 0.15
"""The loudspeaker is late by about this."""


class VerdictSounds:
    """Gives a short sound after each verdict, while nothing is listened to.

    Parameters
    ----------
    tasks : Tasks
        Plays in another thread.
    announce : callable
        Told the length in s of a sound that begins now, so that it is taken for no blow.
    clock_s : callable
        Seconds that go on.
    """

    def __init__(
        self,
        tasks: Tasks,
        announce: Callable[[float], object],
        *,
        player: Player | None = None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.is_wanted = False
        self.player = player or Player()
        self._tasks = tasks
        self._announce = announce
        self._clock_s = clock_s
        self._waiting: tuple[Signal, float] | None = None

    def take(self, events: Iterable[Event]) -> None:
        """Take up what was judged."""
        for event in events:
            if isinstance(event, BlowJudged):
                signal = Signal.GOOD if event.blow.is_good else Signal.AGAIN
                self._waiting = (signal, self._clock_s())
            elif isinstance(event, Interrupted):
                self._waiting = (Signal.TROUBLE, self._clock_s())

    def see(self, seen: Snapshot) -> None:
        """Give the sound that waits, if it may be heard now."""
        if self._waiting is None:
            return
        signal, since_s = self._waiting
        if not self.is_wanted or self._clock_s() - since_s > LATEST_S:
            self._waiting = None
            return
        if not (seen.may_sound or seen.state is State.INTERRUPTED):
            return
        self._waiting = None
        samples = signal_sound(signal, sample_rate_hz=RATE_HZ)
        self._announce(samples.size / RATE_HZ + SLACK_S)
        player = self.player
        self._tasks.start(
            lambda _progress: player.play(samples, sample_rate_hz=RATE_HZ),
            on_failed=lambda message: logger.info("no sound after the verdict: %s", message),
        )
