"""How does the sound get onto the disk, and what when the disk refuses?

`DiskWriter` takes sound out of the ring and appends it to the present part; once a second it
brings the header up to date and forces everything to the disk. What cannot be written stays in the
ring and is tried again; only when the ring is full, sound is lost, and how much is counted.

The engine calls `step` from a thread of its own; nothing here waits.

Classes: `DiskWriter`, `WriterNews`.
"""

from __future__ import annotations

import contextlib
import errno
import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from toneapp.audio.capture.events import Fault
from toneapp.audio.capture.ring import SampleRing, Taken
from toneapp.audio.capture.run_folder import RunFolder
from toneapp.audio.capture.wav_part import HEADER_BYTES, LARGEST_PART_BYTES, WavPart
from toneapp.errors import OutputError

__all__ = ["DiskWriter", "WriterNews"]

logger = logging.getLogger(__name__)

SYNC_EVERY_S = 1.0
RETRY_EVERY_S = 2.0
WRITE_S = 0.5
"""Sound written at one go, at most."""

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_GONE = (errno.ENOENT, errno.ENOTDIR, errno.ESTALE)


@dataclass(frozen=True, slots=True, kw_only=True)
class WriterNews:
    """Something that the engine has to know."""

    fault: Fault | None = None  # the disk refuses
    is_well: bool = False  # it works again
    closed: tuple[Path, int] | None = None  # a part and its frames
    lost: tuple[int, int] | None = None  # frame in the ring from which on, and how many


class DiskWriter:
    """Writes the sound of a run.

    Parameters
    ----------
    folder : RunFolder
        Where.
    ring : SampleRing
        From where.
    sample_rate_hz : int
        Sampling rate.
    clock : callable
        Monotonic time in s.
    largest_part_bytes : int
        A new part begins before the file is larger.
    """

    def __init__(
        self,
        folder: RunFolder,
        ring: SampleRing,
        *,
        sample_rate_hz: int,
        clock: Callable[[], float],
        largest_part_bytes: int = LARGEST_PART_BYTES,
    ) -> None:
        self.folder = folder
        self.frames = 0  # written by this writer, over all its parts
        self.fault: Fault | None = None
        self.syncs = 0
        self._reader = ring.reader()
        self._channels = ring.channels
        self._rate = sample_rate_hz
        self._clock = clock
        self._largest = largest_part_bytes
        self._part: WavPart | None = None
        self._held: Taken | None = None  # taken out of the ring, not on the disk yet
        self._synced_at_s = clock()
        self._retry_at_s = 0.0
        self._losses: list[tuple[int, int]] = []  # frame in the ring, frames lost just before it

    @property
    def waiting(self) -> int:
        """Frames that are not written yet."""
        held = 0 if self._held is None else self._held.samples.shape[0]
        return self._reader.waiting + held

    def run_frame(self, ring_frame: int) -> int:
        """Frame of the run as it lies on the disk, of a frame of the ring."""
        lost = sum(count for frame, count in self._losses if frame <= ring_frame)
        return self.folder.frames_before + ring_frame - lost

    def step(self) -> list[WriterNews]:
        """Write what is there; say what the engine has to know."""
        news: list[WriterNews] = []
        now_s = self._clock()
        if self.fault is not None and now_s < self._retry_at_s:
            return news
        try:
            self._write_all(news)
            if now_s - self._synced_at_s >= SYNC_EVERY_S or self.fault is not None:
                self._synced_at_s = now_s
                self._sync(news)
        except (OSError, OutputError) as exc:
            self._fail(exc, now_s, news)
            return news
        if self.fault is not None:
            self.fault = None
            news.append(WriterNews(is_well=True))
        return news

    def close(self) -> list[WriterNews]:
        """Write the rest, as far as the disk allows, and close the part."""
        news: list[WriterNews] = []
        try:
            self._write_all(news)
            self._sync(news)
        except (OSError, OutputError) as exc:
            self._fail(exc, self._clock(), news)
        self._close_part(news)
        return news

    def _write_all(self, news: list[WriterNews]) -> None:
        while True:
            if self._held is None:
                self._held = self._reader.take(int(WRITE_S * self._rate))
            taken = self._held
            if taken is None:
                return
            if taken.lost and (not self._losses or self._losses[-1][0] != taken.first):
                self._losses.append((taken.first, taken.lost))
                news.append(WriterNews(lost=(taken.first, taken.lost)))
            begins_anew = taken.lost > 0 or any(mark.kind == "gap" for mark in taken.marks)
            size = taken.samples.shape[0] * 4 * self._channels
            part = self._part
            if part is not None and (
                (begins_anew and part.frames > 0) or part.size_bytes + size > self._largest
            ):
                part.sync()
                self._close_part(news)
            part = self._part or self._new_part()
            part.append(taken.samples)
            self.frames += taken.samples.shape[0]
            self._held = None

    def _new_part(self) -> WavPart:
        part = WavPart(
            self.folder.new_part_path(), sample_rate_hz=self._rate, channels=self._channels
        )
        self.folder.parts.append(part.path)
        self._part = part
        return part

    def _close_part(self, news: list[WriterNews]) -> None:
        part, self._part = self._part, None
        if part is None:
            return
        part.close()
        if part.frames == 0:
            self.folder.parts.remove(part.path)
            with contextlib.suppress(OSError):
                part.path.unlink()
            return
        news.append(WriterNews(closed=(part.path, part.frames)))

    def _sync(self, news: list[WriterNews]) -> None:
        """Force all to the disk; see that it is where it should be."""
        if self._part is not None and not self._part.is_in_place():
            if self.fault is not Fault.FOLDER_GONE:
                raise FileNotFoundError(errno.ENOENT, "the folder is gone", str(self.folder.path))
            self._move_to_new_folder(news)
        if self._part is not None:
            self._part.sync()
        self.folder.sync_journal()
        self.syncs += 1

    def _move_to_new_folder(self, news: list[WriterNews]) -> None:
        """Make the folder once more and copy the present part, which is still open, into it."""
        lost_part = self._part
        assert lost_part is not None
        if not self.folder.path.parent.is_dir():
            # A disk that was taken out: it may come back with all that is on it.
            raise FileNotFoundError(errno.ENOENT, "the folder is gone", str(self.folder.path))
        if not self.folder.is_in_place:
            self.folder.restore()
        again = WavPart(
            self.folder.new_part_path(), sample_rate_hz=self._rate, channels=self._channels
        )
        step = self._rate
        for first in range(0, lost_part.frames, step):
            block = lost_part.read_back(first, min(step, lost_part.frames - first))
            again.append(block)
        again.sync()
        self.folder.parts = [
            path for path in self.folder.parts if path.is_file() and path != lost_part.path
        ]
        self.folder.parts.append(again.path)
        self._part = again
        lost_part.close()
        logger.info("the present part was copied to %s", again.path)
        del news

    def _fail(self, exc: OSError | OutputError, now_s: float, news: list[WriterNews]) -> None:
        self._retry_at_s = now_s + RETRY_EVERY_S
        cause = exc if isinstance(exc, OSError) else exc.__cause__
        number = cause.errno if isinstance(cause, OSError) else None
        fault = Fault.DISK_FAULT
        if number in _FULL:
            fault = Fault.DISK_FULL
        elif number in _GONE or not self.folder.is_in_place:
            fault = Fault.FOLDER_GONE
        if self._part is not None and fault is Fault.DISK_FAULT:
            # The file itself may be broken: go on in another one.
            broken, self._part = self._part, None
            broken.close()
            if broken.size_bytes <= HEADER_BYTES:
                self.folder.parts.remove(broken.path)
        if fault is not self.fault:
            logger.warning("the recording cannot be written: %s", exc)
            self.fault = fault
            news.append(WriterNews(fault=fault))
