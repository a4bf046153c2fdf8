"""What sounded in the last seconds, and how strong was each band of it?

`RollingSound` keeps the last samples, `RollingLevels` the levels of the last half minute, worked
out once for every frame as it comes (`toneapp.measure.onsets.band_levels`).

Classes: `RollingSound`, `RollingLevels`.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import Float32Array, FloatArray
from toneapp.measure.onsets import FRAME_S, HOP_S, BandLevels, band_levels, noise_floor

__all__ = ["RollingLevels", "RollingSound"]

LEVELS_KEPT_S = 32.0
FLOOR_EVERY_S = 1.0
FLOOR_QUANTILE = 0.1


class RollingSound:
    """The last seconds of a mono sound.

    Parameters
    ----------
    capacity : int
        Samples that can be asked for, counted back from the newest.
    first : int
        Position of the first sample that will come.
    """

    def __init__(self, capacity: int, *, first: int = 0) -> None:
        self._capacity = capacity
        self._data = np.zeros(2 * capacity, dtype=np.float32)
        self._filled = 0
        self._first = first

    @property
    def stop(self) -> int:
        """Position after the newest sample."""
        return self._first + self._filled

    @property
    def start(self) -> int:
        """Position of the oldest sample that is kept."""
        return self._first

    def append(self, samples: Float32Array) -> None:
        """Add samples, shape (n,), at most `capacity`."""
        count = samples.size
        if self._filled + count > self._data.size:
            keep = min(self._capacity, self._filled)
            self._data[:keep] = self._data[self._filled - keep : self._filled]
            self._first += self._filled - keep
            self._filled = keep
        self._data[self._filled : self._filled + count] = samples
        self._filled += count

    def between(self, start: int, stop: int) -> Float32Array:
        """Copy of the samples from `start` to `stop`, as far as they are there."""
        low = max(start - self._first, 0)
        high = max(min(stop - self._first, self._filled), low)
        return self._data[low:high].copy()


class RollingLevels:
    """Power in third-octave bands of the last half minute, frame by frame.

    Frame ``k`` begins at sample ``first + k * hop``.
    """

    def __init__(self, sound: RollingSound, *, sample_rate_hz: float) -> None:
        self._sound = sound
        self._rate = sample_rate_hz
        self._first = sound.stop
        self.hop = max(1, round(HOP_S * sample_rate_hz))
        self.frame = int(2 * round(FRAME_S * sample_rate_hz / 2))
        # `band_levels` lays silence before what it is given; those frames are not used.
        self._edge_frames = -(-self.frame // self.hop)
        self._edge = self._edge_frames * self.hop - self.frame
        self._next = 0  # frame to be worked out next
        self._kept = int(LEVELS_KEPT_S * sample_rate_hz / self.hop)
        empty = band_levels(np.zeros(self.frame, np.float32), sample_rate_hz=sample_rate_hz)
        self.centres_hz: FloatArray = empty.centres_hz
        self._power = np.zeros((self.centres_hz.size, 2 * self._kept))
        self._filled = 0
        self._floor: FloatArray | None = None
        self._floor_at = 0

    @property
    def frames(self) -> int:
        """Frames worked out so far."""
        return self._next

    @property
    def end_s(self) -> float:
        """Time of the middle of the newest frame, in s."""
        return self.time_s(self._next - 1)

    def time_s(self, frame: int) -> float:
        """Middle of a frame, in s."""
        return (self._first + frame * self.hop + self.frame / 2) / self._rate

    def update(self) -> None:
        """Work out the frames that have become complete."""
        ready = (self._sound.stop - self._first - self.frame) // self.hop + 1
        while self._next < ready:
            count = min(ready - self._next, self._kept // 4)
            start = self._first + self._next * self.hop
            samples = self._sound.between(
                start - self._edge, start + (count - 1) * self.hop + self.frame
            )
            lacking = self._edge + (count - 1) * self.hop + self.frame - samples.size
            if lacking > 0:  # before the first sample there is nothing
                samples = np.concatenate([np.zeros(lacking, np.float32), samples])
            levels = band_levels(samples, sample_rate_hz=self._rate)
            new = levels.power[:, self._edge_frames : self._edge_frames + count]
            if self._filled + count > self._power.shape[1]:
                keep = self._kept
                self._power[:, :keep] = self._power[:, self._filled - keep : self._filled]
                self._filled = keep
            self._power[:, self._filled : self._filled + count] = new
            self._filled += count
            self._next += count

    def last(self, seconds: float) -> BandLevels:
        """Levels of the last seconds, as far as they are kept."""
        count = min(int(seconds * self._rate / self.hop), self._filled, self._kept)
        numbers = np.arange(self._next - count, self._next)
        times = (self._first + numbers * self.hop + self.frame / 2) / self._rate
        return BandLevels(
            times_s=np.asarray(times, dtype=np.float64),
            power=self._power[:, self._filled - count : self._filled],
            centres_hz=self.centres_hz,
        )

    def since(self, start_s: float) -> BandLevels:
        """Levels from a time on, as far as they are kept."""
        return self.last(max(0.0, self.end_s - start_s) + HOP_S)

    @property
    def floor(self) -> FloatArray:
        """Noise power of each band, by the quietest tenth of what is kept, once a second."""
        age = (self._next - self._floor_at) * self.hop / self._rate
        if self._floor is None or age >= FLOOR_EVERY_S:
            self._floor = noise_floor(self.last(LEVELS_KEPT_S), quantile=FLOOR_QUANTILE)
            self._floor_at = self._next
        return self._floor
