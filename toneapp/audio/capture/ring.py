"""How does sound get from the audio callback to those who need it, without anybody waiting?

`SampleRing` is written by one (the callback) and read by several, each with a `RingReader` of its
own. There is no lock: the writer copies its block into a preallocated array and then moves one
counter; a reader copies what lies between its own counter and that one, and looks at the counter
again to see whether it was overtaken. The writer never waits for a reader; a reader that is too
slow loses the oldest samples and is told how many.

Positions are counted in frames from the first frame ever written.

Classes: `SampleRing`, `RingReader`, `Taken`, `Mark`.
"""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass

import numpy as np

from toneapp._typing import Float32Array

__all__ = ["Mark", "RingReader", "SampleRing", "Taken"]

_KEPT_MARKS = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that happened to the sound at a frame."""

    frame: int
    kind: str  # "gap": the sound does not go on from what came before; "overflow": some was lost


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taken:
    """What a reader got at one go."""

    first: int  # frame of the first sample
    samples: Float32Array  # shape (n, channels)
    lost: int  # frames that were overwritten before they could be read
    marks: tuple[Mark, ...] = ()  # what happened just before the first sample


class SampleRing:
    """Preallocated ring of frames with one writer.

    Parameters
    ----------
    capacity : int
        Frames it holds.
    channels : int
        Samples per frame.
    """

    def __init__(self, capacity: int, channels: int) -> None:
        if capacity < 1 or channels < 1:
            raise ValueError(f"a ring holds at least one sample, got {capacity} x {channels}")
        self.capacity = capacity
        self.channels = channels
        self.written = 0
        self.written_at_s = 0.0  # time.perf_counter of the last block
        self.overflows = 0  # blocks for which the system said that it had lost sound
        self._readers: list[RingReader] = []
        self._data = np.zeros((capacity, channels), dtype=np.float32)
        # Appending to a bounded deque neither waits nor grows.
        self._marks: deque[Mark] = deque(maxlen=_KEPT_MARKS)

    def push(self, block: Float32Array, *, has_lost: bool = False) -> None:
        """Copy a block in; called by the writer only, and as short as can be.

        Parameters
        ----------
        block : ndarray of float32, shape (n, channels)
            At most `capacity` frames.
        has_lost : bool
            Whether the system lost sound just before this block.
        """
        count = block.shape[0]
        if has_lost:
            self.overflows += 1
            self._marks.append(Mark(frame=self.written, kind="overflow"))
        at = self.written % self.capacity
        first = min(count, self.capacity - at)
        self._data[at : at + first] = block[:first]
        if first < count:
            self._data[: count - first] = block[first:]
        self.written_at_s = time.perf_counter()
        self.written += count

    def mark_gap(self) -> None:
        """Say that the next frame does not follow on the last one."""
        self._marks.append(Mark(frame=self.written, kind="gap"))

    @property
    def marks(self) -> tuple[Mark, ...]:
        """The last marks, in their order."""
        while True:
            try:
                return tuple(self._marks)
            except RuntimeError:  # the writer added one just now
                continue

    def reader(self) -> RingReader:
        """Make a reader that starts with the next frame."""
        reader = RingReader(self)
        self._readers.append(reader)
        return reader

    @property
    def behind(self) -> int:
        """Frames that the slowest reader has still to read."""
        return max((reader.waiting for reader in self._readers), default=0)

    def copy(self, first: int, count: int) -> Float32Array:
        """Copy frames out, whether or not they are still those that were meant."""
        at = first % self.capacity
        head = min(count, self.capacity - at)
        out = np.empty((count, self.channels), dtype=np.float32)
        out[:head] = self._data[at : at + head]
        out[head:] = self._data[: count - head]
        return out


class RingReader:
    """One reader of a ring; `position` is the next frame it will get."""

    def __init__(self, ring: SampleRing) -> None:
        self._ring = ring
        self.position = ring.written
        self.lost = 0
        self._marked_to = ring.written - 1  # marks up to this frame were handed out

    @property
    def waiting(self) -> int:
        """Frames that wait to be read."""
        return self._ring.written - self.position

    def take(self, most: int) -> Taken | None:
        """Get up to `most` frames that follow on one another; ``None`` when there are none."""
        lost = 0
        while True:
            behind = self._ring.written - self.position
            if behind > self._ring.capacity:
                # A little room, so that the writer does not overtake again at once.
                skip = behind - self._ring.capacity + self._ring.capacity // 16
                self.position += skip
                lost += skip
                behind -= skip
            if behind <= 0:
                return None
            marks = [mark for mark in self._ring.marks if mark.frame > self._marked_to]
            ahead = [mark.frame for mark in marks if mark.frame > self.position]
            count = min(behind, most, *(frame - self.position for frame in ahead))
            samples = self._ring.copy(self.position, count)
            if self._ring.written - self.position <= self._ring.capacity:
                first = self.position
                self.position += count
                self.lost += lost
                self._marked_to = first
                here = tuple(mark for mark in marks if mark.frame <= first)
                return Taken(first=first, samples=samples, lost=lost, marks=here)
