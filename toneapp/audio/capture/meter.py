"""How loud is it now, and how loud was it a moment ago?

Classes and functions: `PeakMeter`, `dbfs`.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from toneapp._typing import Float32Array

__all__ = ["CLIP_PEAK", "PeakMeter", "dbfs"]

METER_S, HIGHEST_S = 0.1, 3.0
CLIP_PEAK = 0.999


class PeakMeter:
    """Remembers the peaks of the last seconds.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._at = 0
        self._peaks: deque[tuple[int, float]] = deque()  # frame of the first sample, and peak

    def take(self, samples: Float32Array) -> float:
        """Take sound in, shape (n,) or (n, channels); its peak."""
        peak = float(np.max(np.abs(samples), initial=0.0))
        self._peaks.append((self._at, peak))
        while self._peaks[0][0] < self._at - HIGHEST_S * self._rate:
            self._peaks.popleft()
        self._at += samples.shape[0]
        return peak

    def forget(self) -> None:
        """Be silent: nothing is heard now."""
        self._peaks.clear()

    @property
    def level_dbfs(self) -> float | None:
        """Peak of the last tenth of a second; None for digital silence."""
        last = self._peaks[-1][0] if self._peaks else 0
        since = last - METER_S * self._rate
        return dbfs(max((peak for at, peak in self._peaks if at >= since), default=0.0))

    @property
    def highest_dbfs(self) -> float | None:
        """Peak of the last three seconds; None for digital silence."""
        return dbfs(self._highest())

    @property
    def has_clipped(self) -> bool:
        """Whether it met full scale within the last three seconds."""
        return self._highest() >= CLIP_PEAK

    def _highest(self) -> float:
        return max((peak for _, peak in self._peaks), default=0.0)


def dbfs(peak: float) -> float | None:
    """Level of a peak in dB re full scale; None for silence."""
    return 20.0 * float(np.log10(peak)) if peak > 0.0 else None
