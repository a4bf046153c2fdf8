"""How does a whole recording look from afar, and a piece of it from near?

An outline holds the lowest and the highest sample of every millisecond; a piece of it is drawn
together to as many columns as a picture is wide.

Functions: `read_outline`. Classes: `Outline`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from toneapp._typing import Float32Array

__all__ = ["Outline", "read_outline"]

STEPS_PER_S = 1000
_BLOCK_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """Lowest and highest sample of each step of a recording."""

    low: Float32Array  # (k,), full scale 1
    high: Float32Array  # (k,)
    steps_per_s: float
    duration_s: float

    def columns(
        self, start_s: float, end_s: float, count: int
    ) -> tuple[Float32Array, Float32Array]:
        """Draw a piece together.

        Parameters
        ----------
        start_s, end_s : float
            The piece, ``start_s < end_s``; may reach beyond the recording, which is silent there.
        count : int
            Number of columns, at least 1.

        Returns
        -------
        low, high : ndarray of float32, shape (count,)
            Lowest and highest sample of each column.
        """
        edges = np.linspace(start_s, end_s, count + 1) * self.steps_per_s
        edges = np.round(edges, 6)  # a whole step must not fall short of itself
        first = np.floor(edges[:-1]).astype(np.int64)
        last = np.maximum(np.ceil(edges[1:]).astype(np.int64), first + 1)
        inside = (first >= 0) & (first < self.low.size)
        low = np.zeros(count, dtype=np.float32)
        high = np.zeros(count, dtype=np.float32)
        if not inside.any():
            return low, high
        begin = int(first[inside][0])
        end = min(int(last[inside][-1]), self.low.size)
        starts = first[inside] - begin
        low[inside] = np.minimum.reduceat(self.low[begin:end], starts)
        high[inside] = np.maximum.reduceat(self.high[begin:end], starts)
        return low, high


def read_outline(path: Path, *, progress: Callable[[float], None]) -> Outline:
    """Read the outline of a recording.

    Parameters
    ----------
    path : Path
        A sound file of the library.
    progress : callable
        Called with the share done; what it raises stops the reading.

    Returns
    -------
    Outline

    Raises
    ------
    AudioFileError
        If the file cannot be read.
    """
    from toneapp.audio import open_sound

    with open_sound(path) as source:
        step = max(1, round(source.sample_rate_hz / STEPS_PER_S))
        block = step * max(1, round(_BLOCK_S * source.sample_rate_hz / step))
        lows: list[Float32Array] = []
        highs: list[Float32Array] = []
        for start, samples in source.blocks(block):
            padded = np.concatenate(
                [samples, np.repeat(samples[-1:], -samples.size % step)]
            ).astype(np.float32)
            steps = padded.reshape(-1, step)
            lows.append(steps.min(axis=1))
            highs.append(steps.max(axis=1))
            progress(min((start + block) / source.frames, 1.0))
        return Outline(
            low=np.concatenate(lows) if lows else np.zeros(0, dtype=np.float32),
            high=np.concatenate(highs) if highs else np.zeros(0, dtype=np.float32),
            steps_per_s=source.sample_rate_hz / step,
            duration_s=source.frames / source.sample_rate_hz,
        )
