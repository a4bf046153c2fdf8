"""What is known of the room and the input while a run goes on?

The check before the first key, the quietest moments in between, the level by the loudest blow, and
whether the gain is moved by the computer.

Classes: `RoomWatch`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.capture.events import RoomReport
from toneapp.audio.capture.meter import dbfs
from toneapp.audio.capture.rolling import RollingSound
from toneapp.audio.capture.room_check import GainWatch, QuietMoments, check_room, level_lines
from toneapp.measure.onsets import BandLevels

__all__ = ["LEVELS_BEFORE_S", "SINCE_BLOW_S", "RoomWatch"]

ROOM_S = 2.5
ROOM_LEAST_S = 0.6

WATCHED_BEFORE_S = 0.4
WATCHED_AFTER_S = 0.2
SINCE_BLOW_S = 1.5
"""Quiet before a blow and end of what follows it, compared for the gain; and how long the piano
must have been silent for the first to be quiet indeed."""

LEVELS_BEFORE_S = WATCHED_BEFORE_S + 0.1

_LEVEL_WORDS = {"clips", "loud", "weak", "level_good"}


class RoomWatch:
    """Room and input of a run.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate.
    from_s : float
        Time in the run from which the room is listened to.
    """

    def __init__(self, sample_rate_hz: int, *, from_s: float) -> None:
        self.report = RoomReport(noise_dbfs=None)
        self.quiet = QuietMoments(sample_rate_hz)
        self._rate = sample_rate_hz
        self._gain = GainWatch()
        self._from_s = from_s
        self._waiting_block = np.zeros(0, np.float32)
        self._peak = 0.0
        self._has_clipped = False

    def begin(self, at_s: float) -> None:
        """Listen to the room from now on: what sounded before is no measure."""
        self._from_s = at_s

    def is_heard_out(self, now_s: float) -> bool:
        """Tell whether the room was listened to for long enough."""
        return now_s - self._from_s >= ROOM_S

    def finish(self, until_s: float, sound: RollingSound) -> RoomReport | None:
        """Judge the room by what was heard up to a time; None when that is too little."""
        if until_s - self._from_s < ROOM_LEAST_S:
            return None
        start = int((self._from_s + 0.05) * self._rate)
        heard = sound.between(start, int(until_s * self._rate))
        self.report = self._with_level(check_room(heard, sample_rate_hz=self._rate))
        return self.report

    def skip(self) -> None:
        """Be told that it is not quiet now."""
        self._waiting_block = np.zeros(0, np.float32)

    def offer(self, samples: Float32Array, *, at_s: float) -> None:
        """Take sound in, shape (n,), while nobody plays."""
        block = np.concatenate([self._waiting_block, samples])
        size = self.quiet.block_samples
        while block.size >= size:
            self.quiet.offer(block[:size], at_s=at_s)
            block = block[size:]
        self._waiting_block = block

    def learn_level(self, samples: Float32Array, *, clips: bool) -> RoomReport | None:
        """Learn from a blow how the input is set; the report if it says another thing now."""
        peak = float(np.max(np.abs(samples), initial=0.0))
        if peak <= self._peak and (self._has_clipped or not clips):
            return None
        self._peak = max(self._peak, peak)
        self._has_clipped = self._has_clipped or clips
        before = {line.word for line in self.report.lines}
        self.report = self._with_level(self.report)
        return self.report if {line.word for line in self.report.lines} != before else None

    def has_gain_moved(self, levels: BandLevels, *, onset_s: float, end_s: float) -> bool:
        """Compare the quiet before a blow with the end of what follows it.

        Parameters
        ----------
        levels : BandLevels
            From `LEVELS_BEFORE_S` before the blow.
        onset_s, end_s : float
            Of the blow.

        Returns
        -------
        bool
            Whether the suspicion has just arisen.
        """
        t = levels.times_s
        before = levels.power[:, (t > onset_s - WATCHED_BEFORE_S) & (t < onset_s - 0.06)]
        after = levels.power[:, (t > end_s - WATCHED_AFTER_S) & (t < end_s - 0.03)]
        return self._gain.add_blow(before, after)

    def _with_level(self, report: RoomReport) -> RoomReport:
        """Add what the loudest blow tells of the input."""
        turn_db, lines = level_lines(self._peak, has_clipped=self._has_clipped)
        words = {line.word for line in lines}
        others = tuple(line for line in report.lines if line.word not in words | _LEVEL_WORDS)
        return replace(report, peak_dbfs=dbfs(self._peak), turn_db=turn_db, lines=others + lines)
