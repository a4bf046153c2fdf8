"""What is in a sound file, and is it whole?

The edge towards libsndfile: opening, checking, and a look over the samples, with every fault
turned into one sentence. `toneapp.audio.files` reads through it.

Functions: `open_with_libsndfile`, `rate_problems`, `needs_decoding`, `decode_all`, `look_over`,
`without_damage`, `operating_system_sentence`.
"""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

import numpy as np
import soundfile
from numpy.typing import NDArray

from toneapp._typing import Float32Array
from toneapp.errors import AudioFileError

__all__ = [
    "BLOCK_SAMPLES",
    "FLOAT_SUBTYPES",
    "StraightSoundFile",
    "Survey",
    "decode_all",
    "look_over",
    "needs_decoding",
    "open_with_libsndfile",
    "operating_system_sentence",
    "rate_problems",
    "without_damage",
]

logger = logging.getLogger(__name__)

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000
FULL_BAND_RATE_HZ = 32_000
"""Below this rate the upper partials and part of the band of loudness are cut off."""

_FORMATS_WITHOUT_EXACT_SEEK = frozenset({"OGG", "MP3", "MPEG"})
"""Their seeking is slow or off by some samples, so they are decoded once into a plain file."""

FLOAT_SUBTYPES = frozenset({"FLOAT", "DOUBLE"})
"""Only these can hold samples that are no numbers."""

_UNBELIEVABLE = 1.0e5
"""Samples 100 dB over full scale are damage, not sound."""

_OUT_OF_SCALE = 100.0
_OUT_OF_SCALE_SHARE = 0.01
"""Where more samples than this lie 40 dB over full scale, a program has written whole numbers
into a file whose full scale is 1."""

BLOCK_SAMPLES = 1 << 18
"""Samples (over all channels) read at a time: 1 MiB of float32."""

_DECODED_FRAMES = 4096
"""Frames decoded at a time where the file may end in a fault: what the faulty read holds is lost,
so this is as short as the usual block of FLAC (0.09 s)."""

_PROBES = 64
_PROBE_S = 1.0
"""Stretches looked at to find the louder channel: enough to meet many strikes of any run."""

_MOST_CHANNELS = 64

_UNKNOWN_FRAMES = 1 << 62
"""The header of a FLAC recording whose program died counts 2^63 - 1 frames."""

_UNFILLED_BYTES = 0x7FFF_0000
"""Programs that write a WAV file without knowing its end put such a size into its header."""

_HEARD_LOSS_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What one look at the file has shown."""

    frames: int
    energy: NDArray[np.float64]  # shape (channels,)
    problems: tuple[str, ...] = ()


class StraightSoundFile(soundfile.SoundFile):  # type: ignore[misc]  # it ships no types
    """A sound file that is not sought after every read.

    The base class seeks to the place where it is already after each read of a file that can seek.
    That costs time, and with MP3, whose seeking is not exact, the next block comes from elsewhere.
    An explicit ``seek`` still works.
    """

    def seekable(self) -> bool:
        """Deny it, which is what keeps the base class from seeking."""
        return False


def open_with_libsndfile(path: Path) -> StraightSoundFile:
    """Open with libsndfile; every way to fail becomes one sentence.

    Raises
    ------
    AudioFileError
        If the file is missing, may not be read, or is not sound.
    """
    try:
        if path.is_dir():
            raise AudioFileError(f"{path} is a folder; name a sound file in it")
        with path.open("rb") as file:  # the system's own word on missing files and rights
            is_empty = not file.read(1)
    except OSError as exc:
        raise AudioFileError(operating_system_sentence(path, exc)) from exc
    except ValueError as exc:  # a name with a zero character
        raise AudioFileError(f"{str(path)!r} is not a file name; check its spelling") from exc
    if is_empty:
        raise AudioFileError(f"{path.name} is empty; record or export it again")
    not_sound = (
        f"{path.name} is not a sound file that can be read; save it as WAV or FLAC and try again"
    )
    if path.suffix.lower() == ".raw":  # by that ending, anything would pass for sound
        raise AudioFileError(not_sound)
    try:
        return StraightSoundFile(path)
    except (soundfile.SoundFileError, OSError, TypeError, ValueError) as exc:
        logger.debug("libsndfile refuses %s: %s", path, exc)
        raise AudioFileError(not_sound) from exc


def rate_problems(path: Path, file: StraightSoundFile) -> tuple[str, ...]:
    """Check rate, channels and length; say what a low rate costs.

    Raises
    ------
    AudioFileError
        If the sound cannot be measured at all.
    """
    if not LOWEST_RATE_HZ <= file.samplerate <= HIGHEST_RATE_HZ:
        raise AudioFileError(
            f"{path.name} has a sampling rate of {file.samplerate} Hz; "
            "rates from 8000 Hz to 192000 Hz can be measured, 48000 Hz is best"
        )
    if file.channels > _MOST_CHANNELS:
        raise AudioFileError(
            f"{path.name} has {file.channels} channels; export one or two of them"
        )
    if file.samplerate >= FULL_BAND_RATE_HZ:
        return ()
    return (
        f"the sampling rate of {file.samplerate} Hz is low: partials above "
        f"{file.samplerate / 2000:g} kHz are missing and brightness reads too low",
    )


def needs_decoding(file: StraightSoundFile) -> bool:
    """Tell whether the format seeks badly or the file ends before its header says."""
    if file.format in _FORMATS_WITHOUT_EXACT_SEEK:
        return True
    try:
        file.seek(file.frames - 1)
        complete = len(file.read(1)) == 1
        file.seek(0)
    except (soundfile.SoundFileError, OSError, ValueError):
        return True
    return not complete


def decode_all(path: Path, decoded: Path) -> Survey:
    """Decode a file as far as it goes into plain little-endian float32, channels interleaved.

    Parameters
    ----------
    path : Path
        The sound file.
    decoded : Path
        The file to write.

    Raises
    ------
    AudioFileError
        If there is no room for it.
    """
    with open_with_libsndfile(path) as file:
        try:
            with decoded.open("wb") as out:
                survey = _walk(path, file, _DECODED_FRAMES, out)
        except OSError as exc:
            raise AudioFileError(
                f"there is no room to decode {path.name} in {decoded.parent.parent}; "
                "make room there and start again"
            ) from exc
        lost = file.frames - survey.frames
        problems = survey.problems
        if file.frames >= _UNKNOWN_FRAMES:
            problems += (f"{path.name} was not closed properly; all that is there was read",)
        # The headers of MP3 count padding, so only a loss one could hear is worth a word.
        elif lost > _HEARD_LOSS_S * file.samplerate:
            problems += (_cut_short(path, survey.frames, file.frames, file.samplerate),)
    return Survey(frames=survey.frames, energy=survey.energy, problems=problems)


def look_over(path: Path, file: StraightSoundFile) -> Survey:
    """Count the frames, compare the channels, and look for damage where the format allows it."""
    if file.subtype in FLOAT_SUBTYPES:
        survey = _walk(path, file, max(1, BLOCK_SAMPLES // file.channels), None)
    else:
        survey = _probe(path, file)
    promised = _frames_promised(path, file)
    if promised - survey.frames > _HEARD_LOSS_S * file.samplerate:
        cut = _cut_short(path, survey.frames, promised, file.samplerate)
        survey = replace(survey, problems=(*survey.problems, cut))
    return survey


def _cut_short(path: Path, frames: int, promised: int, sample_rate_hz: int) -> str:
    return (
        f"{path.name} is cut short: {frames / sample_rate_hz:.1f} s of "
        f"{promised / sample_rate_hz:.1f} s could be read"
    )


def _frames_promised(path: Path, file: StraightSoundFile) -> int:
    """Frames that the header of a plain WAV file counts; libsndfile tells only what is there.

    0 where the header tells nothing: another format, or a size that its program never filled in.
    """
    if file.format not in ("WAV", "WAVEX"):
        return 0
    size = frame_bytes = 0
    with path.open("rb") as plain:
        if plain.read(12)[:4] != b"RIFF":
            return 0
        while len(head := plain.read(8)) == 8:
            name, size = head[:4], int.from_bytes(head[4:], "little")
            if name == b"data":
                break
            body = plain.read(min(size, 16) + size % 2 * (size < 16))
            if name == b"fmt " and len(body) >= 14:
                frame_bytes = int.from_bytes(body[12:14], "little")
            plain.seek(size + size % 2 - len(body), os.SEEK_CUR)
        else:
            return 0
    if frame_bytes == 0 or size >= _UNFILLED_BYTES:
        return 0
    return size // frame_bytes


def _walk(path: Path, file: StraightSoundFile, step: int, out: IO[bytes] | None) -> Survey:
    """Read from the start until the end or the first fault, copying to `out` if given."""
    energy = np.zeros(file.channels)
    frames = no_numbers = beyond = huge = 0
    largest = 0.0
    while True:
        try:
            block = file.read(step, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, ValueError) as exc:
            logger.debug("reading of %s ends after %d frames: %s", path, frames, exc)
            break
        if len(block) == 0:
            break
        size = np.abs(block)
        if not np.max(size, initial=0.0) < _OUT_OF_SCALE:  # also true for NaN
            numbers = size[np.isfinite(size)]
            no_numbers += size.size - numbers.size
            huge += int(np.count_nonzero(numbers >= _UNBELIEVABLE))
            beyond += int(np.count_nonzero(numbers >= _OUT_OF_SCALE))
            largest = max(largest, float(numbers.max(initial=0.0)))
            block, _ = without_damage(block)
        frames += len(block)
        energy += np.einsum("ij,ij->j", block, block, dtype=np.float64)
        if out is not None:
            out.write(block.astype("<f4", copy=False).tobytes())
    if beyond > _OUT_OF_SCALE_SHARE * frames * file.channels:
        raise AudioFileError(
            f"{path.name} holds samples up to {_plain(largest)} times full scale; the program "
            "that wrote it left out the scale, so export it again as 24-bit WAV or FLAC"
        )
    problems: tuple[str, ...] = ()
    if no_numbers:
        problems += (f"{_were_damaged(no_numbers)} (not a number) and read as silence",)
    if huge:
        reach = ("up to " if huge > 1 else "") + f"{_plain(largest)} times full scale"
        problems += (f"{_were_damaged(huge)} ({reach}) and read as silence",)
    return Survey(frames=frames, energy=energy, problems=problems)


def _were_damaged(count: int) -> str:
    return "1 sample was damaged" if count == 1 else f"{count} samples were damaged"


def _plain(value: float) -> str:
    """Write a large number as people do, if it can be."""
    return f"{value:.0f}" if value < 1e9 else f"{value:.0e}"


def _probe(path: Path, file: StraightSoundFile) -> Survey:
    """Compare the channels in stretches spread over the file; nothing to do for one channel."""
    energy = np.zeros(file.channels)
    if file.channels == 1:
        return Survey(frames=file.frames, energy=energy)
    length = min(int(_PROBE_S * file.samplerate), file.frames)
    starts = np.unique(np.linspace(0, file.frames - length, _PROBES).astype(np.int64))
    for start in starts:
        try:
            file.seek(int(start))
            block = file.read(length, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, OSError) as exc:
            raise AudioFileError(
                f"{path.name} is damaged in the middle; export it again from its source"
            ) from exc
        energy += np.einsum("ij,ij->j", block, block, dtype=np.float64)
    return Survey(frames=file.frames, energy=energy)


def without_damage(block: Float32Array) -> tuple[Float32Array, int]:
    """Replace samples that are no numbers or beyond belief by 0; count them.

    Parameters
    ----------
    block : ndarray of float32, shape (n, channels)
        Not changed.

    Returns
    -------
    block : ndarray of float32, shape (n, channels)
    count : int
    """
    bad = ~(np.abs(block) < _UNBELIEVABLE)  # also true for NaN
    count = int(np.count_nonzero(bad))
    if count:
        block = np.where(bad, np.float32(0.0), block)
    return block, count


def operating_system_sentence(path: Path, exc: OSError) -> str:
    """Say what the system said about a file, and what to do."""
    if isinstance(exc, FileNotFoundError):
        return f"{path} does not exist; check the name and the folder"
    if isinstance(exc, PermissionError):
        return f"{path} may not be read by you; change its rights or copy it elsewhere"
    return f"{path} cannot be read: {exc.strerror or exc}; copy it to another disk and try again"
