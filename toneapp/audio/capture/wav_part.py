"""How is sound written so that almost nothing is lost when the program or the power fails?

A part is a WAV file of 32-bit floating-point samples (RIFF, format 3, with a ``fact`` chunk). The
samples are on the disk in the order in which they came; sizes in the header are brought up to
date whenever the part is synced, and `repair_part` brings them up to date from the size of the
file when the program did not live to do so.

The header is written by this module and not by libsndfile: a sync needs the file's descriptor,
and the repair has to know every byte.

Functions and classes: `WavPart`, `repair_part`, `PartFacts`, `LARGEST_PART_BYTES`.

References
----------
.. [1] IBM, Microsoft, "Multimedia Programming Interface and Data Specifications 1.0" (1991),
   and Microsoft, "Multimedia Registry Update" (1994): WAVE chunks, format tag 3, fact chunk.
"""

from __future__ import annotations

import contextlib
import os
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from toneapp._typing import Float32Array
from toneapp.errors import AudioFileError

__all__ = ["HEADER_BYTES", "LARGEST_PART_BYTES", "PartFacts", "WavPart", "repair_part"]

_HEADER = struct.Struct("<4sI4s4sIHHIIHHH4sII4sI")
HEADER_BYTES = _HEADER.size
_FLOAT_FORMAT = 3
_SAMPLE_BYTES = 4

LARGEST_PART_BYTES = (1 << 32) - (1 << 20)
"""The sizes in the header have 32 bits; a part ends a mebibyte before that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFacts:
    """What a part holds."""

    frames: int
    channels: int
    sample_rate_hz: int
    was_repaired: bool = False


class WavPart:
    """A part that is being written.

    Parameters
    ----------
    path : Path
        The file; it must not exist.
    sample_rate_hz, channels : int
        Of the sound.

    Raises
    ------
    OSError
        If the file cannot be made; nothing is translated here, since `toneapp.audio.capture`
        decides by the number of the error what can be done about it.
    """

    def __init__(self, path: Path, *, sample_rate_hz: int, channels: int) -> None:
        self.path = path
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self.frames = 0
        self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0))
        try:
            self._write_at(0, self._header())
            os.fsync(self._file)
        except OSError:
            os.close(self._file)
            with contextlib.suppress(OSError):
                path.unlink()
            raise

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame."""
        return _SAMPLE_BYTES * self.channels

    @property
    def size_bytes(self) -> int:
        """Size of the file."""
        return HEADER_BYTES + self.frames * self.frame_bytes

    def append(self, samples: Float32Array) -> None:
        """Write frames, shape (n, channels).

        Raises
        ------
        OSError
            If they could not be written whole; then none of them counts, and they may be appended
            again.
        """
        self._write_at(self.size_bytes, np.ascontiguousarray(samples, dtype="<f4").tobytes())
        self.frames += samples.shape[0]

    def sync(self) -> None:
        """Bring the header up to date and force everything to the disk.

        Raises
        ------
        OSError
            If the disk refuses.
        """
        self._write_at(0, self._header())
        os.fsync(self._file)

    def is_in_place(self) -> bool:
        """Tell whether the file still lies under its name (its folder may have been removed)."""
        try:
            there, here = self.path.stat(), os.fstat(self._file)
        except OSError:
            return False
        return (there.st_ino, there.st_dev) == (here.st_ino, here.st_dev)

    def read_back(self, first: int, count: int) -> Float32Array:
        """Read frames that were written, also when the file has lost its name."""
        wanted = count * self.frame_bytes
        if hasattr(os, "pread"):
            data = os.pread(self._file, wanted, HEADER_BYTES + first * self.frame_bytes)
        else:  # Windows
            os.lseek(self._file, HEADER_BYTES + first * self.frame_bytes, os.SEEK_SET)
            data = os.read(self._file, wanted)
        whole = len(data) - len(data) % self.frame_bytes
        return np.frombuffer(data[:whole], dtype="<f4").reshape(-1, self.channels)

    def close(self) -> None:
        """Sync as far as the disk allows, and close."""
        with contextlib.suppress(OSError):
            self.sync()
        with contextlib.suppress(OSError):
            os.close(self._file)

    def _header(self) -> bytes:
        return _header_bytes(
            self.frames, sample_rate_hz=self.sample_rate_hz, channels=self.channels
        )

    def _write_at(self, offset: int, data: bytes) -> None:
        view = memoryview(data)
        while view:
            if hasattr(os, "pwrite"):
                done = os.pwrite(self._file, view, offset)
            else:  # Windows
                os.lseek(self._file, offset, os.SEEK_SET)
                done = os.write(self._file, view)
            view, offset = view[done:], offset + done


def _header_bytes(frames: int, *, sample_rate_hz: int, channels: int) -> bytes:
    frame_bytes = _SAMPLE_BYTES * channels
    data_bytes = frames * frame_bytes
    return _HEADER.pack(
        b"RIFF", HEADER_BYTES - 8 + data_bytes, b"WAVE",
        b"fmt ", 18, _FLOAT_FORMAT, channels, sample_rate_hz, sample_rate_hz * frame_bytes,
        frame_bytes, 8 * _SAMPLE_BYTES, 0,
        b"fact", 4, frames,
        b"data", data_bytes,
    )  # fmt: skip


def repair_part(path: Path) -> PartFacts | None:
    """Make the header of a part agree with what lies in the file.

    Parameters
    ----------
    path : Path
        A part as `WavPart` writes it, whole or left behind by a program that died.

    Returns
    -------
    PartFacts or None
        ``None`` when the file is too short to hold any sound: the program died at its beginning.

    Raises
    ------
    AudioFileError
        If it is no such part, or cannot be read or written.
    """
    try:
        with path.open("r+b") as file:
            head = file.read(HEADER_BYTES)
            size = os.fstat(file.fileno()).st_size
            if len(head) < HEADER_BYTES or not head.strip(b"\0"):
                return None
            fields = _HEADER.unpack(head)
            channels, rate_hz = fields[6], fields[7]
            if (
                (fields[0], fields[2], fields[3], fields[12], fields[15])
                != (b"RIFF", b"WAVE", b"fmt ", b"fact", b"data")
                or fields[5] != _FLOAT_FORMAT
                or not 1 <= channels <= 64
                or rate_hz <= 0
            ):
                raise AudioFileError(
                    f"{path.name} is no recording that was made here; move it elsewhere"
                )
            frames = (size - HEADER_BYTES) // (_SAMPLE_BYTES * channels)
            if frames <= 0:
                return None
            right = _header_bytes(frames, sample_rate_hz=rate_hz, channels=channels)
            whole = HEADER_BYTES + frames * _SAMPLE_BYTES * channels
            if needs_repair := (right != head or size != whole):
                file.truncate(whole)
                file.seek(0)
                file.write(right)
                file.flush()
                os.fsync(file.fileno())
    except OSError as exc:
        raise AudioFileError(
            f"{path} cannot be repaired: {exc.strerror or exc}; see that the disk is there and "
            "may be written, and start again"
        ) from exc
    return PartFacts(
        frames=frames, channels=channels, sample_rate_hz=rate_hz, was_repaired=needs_repair
    )
