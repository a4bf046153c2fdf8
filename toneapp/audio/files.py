"""What sound does a file hold, and how is any stretch of it read without loading all of it?

`open_sound` takes every format libsndfile reads (WAV, FLAC, AIFF, OGG, MP3, ...) and gives a
`SoundFileSource`: one channel, at the file's own rate, full scale = 1, read in stretches counted
in samples from the start of the file. Doubts about the file (cut short, damaged samples, a low
rate) stand in its `problems`; a file that cannot be used raises `AudioFileError`.

Functions: `open_sound`, `list_sound_files`.
"""

from __future__ import annotations

import contextlib
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Self

import numpy as np
import soundfile

from toneapp._typing import Float32Array
from toneapp.audio.inspection import (
    BLOCK_SAMPLES,
    FLOAT_SUBTYPES,
    StraightSoundFile,
    decode_all,
    look_over,
    needs_decoding,
    open_with_libsndfile,
    operating_system_sentence,
    rate_problems,
    without_damage,
)
from toneapp.errors import AudioFileError, InputError

__all__ = [
    "SOUND_FILE_ENDINGS",
    "SoundFileHandle",
    "SoundFileSource",
    "list_sound_files",
    "open_sound",
]

SOUND_FILE_ENDINGS = (
    ".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".aif", ".aiff", ".aifc", ".caf", ".w64",
    ".rf64", ".au", ".snd",
)  # fmt: skip
"""What counts as a sound file when a folder is read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundFileHandle:
    """All that another process needs to read the same sound; small, and can be pickled.

    Valid as long as the source it comes from is open.
    """

    path: str
    decoded_path: str | None
    sample_rate_hz: int
    frames: int
    channels: int
    channel_use: str
    problems: tuple[str, ...]

    def open(self) -> SoundFileSource:
        """Open the sound once more, here.

        Raises
        ------
        AudioFileError
            If the file is gone or changed.
        """
        return SoundFileSource(self, folder=None)


class SoundFileSource:
    """One channel of a sound file, read in stretches; memory does not grow with its length.

    Made by `open_sound` or `SoundFileHandle.open`; a context manager. Not to be shared between
    threads; other threads and processes open `handle` for themselves.

    Attributes
    ----------
    path : Path
        The file.
    sample_rate_hz : int
        Its sampling rate, in Hz.
    frames : int
        Samples per channel.
    channels : int
        Channels in the file.
    channel_use : str
        "mono", "left", "right", "channel 3" or "average".
    problems : tuple of str
        Doubts about the file, each one sentence.
    """

    def __init__(
        self, handle: SoundFileHandle, *, folder: tempfile.TemporaryDirectory[str] | None
    ) -> None:
        self.handle = handle
        self.path = Path(handle.path)
        self.sample_rate_hz = handle.sample_rate_hz
        self.frames = handle.frames
        self.channels = handle.channels
        self.channel_use = handle.channel_use
        self.problems = handle.problems
        self._folder = folder  # removed with its decoded file when this source is closed
        self._position = 0
        self._file: StraightSoundFile | None = None
        self._raw: IO[bytes] | None = None
        if handle.decoded_path is None:
            self._file = open_with_libsndfile(self.path)
        else:
            try:
                self._raw = Path(handle.decoded_path).open("rb")  # noqa: SIM115 -- closed by close
            except OSError as exc:
                raise AudioFileError(
                    f"the decoded copy of {self.path.name} cannot be read; start again"
                ) from exc

    @property
    def duration_s(self) -> float:
        """Length, in seconds."""
        return self.frames / self.sample_rate_hz

    def read(self, start: int, stop: int) -> Float32Array:
        """Read the samples from `start` up to, not including, `stop`.

        Parameters
        ----------
        start, stop : int
            In samples from the start of the file, ``0 <= start <= stop``. What lies beyond the end
            of the file is left out.

        Returns
        -------
        ndarray of float32, shape (n,)
            Full scale = 1. Samples that are no numbers are 0.

        Raises
        ------
        AudioFileError
            If the file can no longer be read.
        ValueError
            If the bounds are not in order.
        """
        if not 0 <= start <= stop:
            raise ValueError(f"expected 0 <= start <= stop in samples, got {start} and {stop}")
        stop = min(stop, self.frames)
        start = min(start, stop)
        mono = np.zeros(stop - start, dtype=np.float32)
        step = max(1, BLOCK_SAMPLES // self.channels)
        for first in range(start, stop, step):
            last = min(first + step, stop)
            block = self._read_channels(first, last - first)
            mono[first - start : first - start + len(block)] = _take_channel(
                block, self.channel_use
            )
        return mono

    def blocks(self, samples: int, *, overlap: int = 0) -> Iterator[tuple[int, Float32Array]]:
        """Read the whole sound in blocks.

        Parameters
        ----------
        samples : int
            Length of a block; the last one may be shorter.
        overlap : int
            Samples that a block repeats from the one before, less than `samples`.

        Yields
        ------
        start : int
            First sample of the block, counted from the start of the file.
        block : ndarray of float32, shape (samples,) or shorter
            As from `read`.
        """
        if not 0 <= overlap < samples:
            raise ValueError(f"expected 0 <= overlap < samples, got {overlap} and {samples}")
        start = 0
        while start < self.frames:
            stop = min(start + samples, self.frames)
            yield start, self.read(start, stop)
            if stop == self.frames:
                return
            start += samples - overlap

    def close(self) -> None:
        """Close the file and remove the decoded copy, if any."""
        if self._file is not None:
            self._file.close()
        if self._raw is not None:
            self._raw.close()
        if self._folder is not None:
            self._folder.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _read_channels(self, start: int, count: int) -> Float32Array:
        """Read `count` frames of all channels, cleaned: shape (count or fewer, channels)."""
        if self._raw is not None:
            frame_bytes = 4 * self.channels
            try:
                self._raw.seek(start * frame_bytes)
                data = self._raw.read(count * frame_bytes)
            except OSError as exc:
                raise AudioFileError(f"{self.path.name} cannot be read further: {exc}") from exc
            return np.frombuffer(data, dtype="<f4").reshape(-1, self.channels)
        assert self._file is not None
        try:
            if start != self._position:
                self._file.seek(start)
            block = self._file.read(count, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, OSError) as exc:
            raise AudioFileError(f"{self.path.name} cannot be read further: {exc}") from exc
        self._position = start + len(block)
        if self._file.subtype in FLOAT_SUBTYPES:
            block, _ = without_damage(block)
        return np.asarray(block)


def open_sound(path: str | Path, *, channel: str = "auto") -> SoundFileSource:
    """Open a sound file for reading in stretches.

    Parameters
    ----------
    path : str or Path
        The file.
    channel : str
        "auto" (the channel with the most energy), "average" (the mean of all), "left", "right", or
        the channel's number from "1".

    Returns
    -------
    SoundFileSource
        To be closed after use (``with open_sound(path) as sound:``).

    Raises
    ------
    AudioFileError
        If the file is missing, not readable, not sound, holds no samples, or has a sampling rate
        outside 8 kHz to 192 kHz.
    InputError
        If the file has no such channel.

    Notes
    -----
    OGG and MP3, whose seeking is not exact, and files that end too early are decoded once into a
    temporary plain file, which is removed when the source is closed.
    """
    path = Path(path)
    with contextlib.ExitStack() as undo, open_with_libsndfile(path) as file:
        problems = rate_problems(path, file)
        wanted = _parse_channel(channel, channels=file.channels, name=path.name)
        folder: tempfile.TemporaryDirectory[str] | None = None
        decoded_path: str | None = None
        if needs_decoding(file):
            folder = tempfile.TemporaryDirectory(prefix="toneapp-", ignore_cleanup_errors=True)
            undo.callback(folder.cleanup)
            decoded_path = str(Path(folder.name) / "decoded.f32")
            survey = decode_all(path, Path(decoded_path))
        else:
            survey = look_over(path, file)
        if survey.frames == 0:
            raise AudioFileError(
                f"{path.name} holds no sound; record or export it again and check its length"
            )
        handle = SoundFileHandle(
            path=str(path),
            decoded_path=decoded_path,
            sample_rate_hz=file.samplerate,
            frames=survey.frames,
            channels=file.channels,
            channel_use=wanted or _channel_name(int(np.argmax(survey.energy)), file.channels),
            problems=problems + survey.problems,
        )
        source = SoundFileSource(handle, folder=folder)
        undo.pop_all()  # from here on the source owns the folder
        return source


def list_sound_files(folder: str | Path) -> list[Path]:
    """List the sound files of a folder in natural order ("note 2" before "note 10").

    Parameters
    ----------
    folder : str or Path
        The folder; its own sub-folders are not entered, hidden files are left out.

    Returns
    -------
    list of Path
        At least one file.

    Raises
    ------
    AudioFileError
        If the folder cannot be read or holds no sound file.
    """
    folder = Path(folder)
    try:
        found = [
            path
            for path in folder.iterdir()
            if path.suffix.lower() in SOUND_FILE_ENDINGS
            and not path.name.startswith(".")
            and path.is_file()
        ]
    except OSError as exc:
        raise AudioFileError(operating_system_sentence(folder, exc)) from exc
    if not found:
        raise AudioFileError(
            f"the folder {folder} holds no sound file; put WAV, FLAC, AIFF, OGG or MP3 files there"
        )
    return sorted(found, key=lambda path: _natural_key(path.name))


def _take_channel(block: Float32Array, use: str) -> Float32Array:
    if use == "average":
        return np.asarray(block.mean(axis=1, dtype=np.float32))
    index = {"mono": 0, "left": 0, "right": 1}.get(use)
    if index is None:
        index = int(use.removeprefix("channel ")) - 1
    return np.asarray(block[:, index])


def _parse_channel(channel: str, *, channels: int, name: str) -> str | None:
    """Name of the channel use that is asked for; None leaves the choice to the sound."""
    word = channel.strip().lower()
    if word == "auto":
        return None
    if word == "average":
        return "average" if channels > 1 else "mono"
    number = {"left": 1, "right": 2}.get(word)
    if number is None and word.isascii() and word.isdigit():
        number = int(word)
    if number is None:
        raise InputError(
            f"{channel!r} is not a channel; say auto, average, left, right or a number"
        )
    if not 1 <= number <= channels:
        count = "one channel" if channels == 1 else f"{channels} channels"
        raise InputError(f"{name} has {count}, so channel {channel} cannot be used; say auto")
    return _channel_name(number - 1, channels)


def _channel_name(index: int, channels: int) -> str:
    if channels == 1:
        return "mono"
    if channels == 2:
        return ("left", "right")[index]
    return f"channel {index + 1}"


def _natural_key(name: str) -> list[tuple[int, int, str]]:
    """Sort key in which runs of digits count as numbers."""
    parts = re.split(r"([0-9]+)", name.casefold())
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts if part]
