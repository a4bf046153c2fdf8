"""How is the sound of a run kept, lossless, once, and never half there?

Each recording becomes one FLAC file of 24 bits, named by the SHA-256 of its bytes. It is written
under another name, forced to the disk and read back for its hash; its final name and its row come
in one transaction. What has lost its last row is removed after that was committed.

Lossless means: every integer sample of up to 24 bits comes back exactly. Samples with more bits
or with a floating point (also decoded MP3 and OGG) are rounded to 24 bits, an error of at most
-144 dB re full scale. Floating-point samples beyond full scale are divided by the next power of
two, which is kept as `scale`; nothing is clipped.

Functions and classes: `SoundStore`, `NewSound`.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import math
import os
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from toneapp.audio import SoundFileSource, open_sound
from toneapp.audio.inspection import open_with_libsndfile
from toneapp.errors import AudioFileError, LibraryError
from toneapp.library.faults import disk_error
from toneapp.library.rows import Recording
from toneapp.library.writer import Writer

__all__ = ["NewSound", "SoundStore", "sha256_of"]

logger = logging.getLogger(__name__)

AUDIO_FOLDER = "audio"
UNFINISHED = "unfinished-"
WORK = "work-"
STALE_S = 24 * 3600.0
"""Unfinished files older than this were left by a program that died: no import takes that long."""

MOST_CHANNELS = 8  # of a FLAC file
MOST_SCALE = 16.0
"""Beyond +24 dB re full scale too little of the 24 bits would be left."""

_BLOCK_FRAMES = 1 << 16
_EXACT_SUBTYPES = frozenset({"PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "ALAC_16", "ALAC_24"})
_FULL_SCALE = 1 << 23


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSound:
    """A recording that lies in the store, but under no name yet."""

    temporary: Path
    name: str
    sha256: str
    bytes: int
    frames: int
    sample_rate_hz: int
    channels: int
    scale: float
    origin: str
    problems: tuple[str, ...]


class SoundStore:
    """The folder of the sound files.

    Parameters
    ----------
    library_folder : Path
        Folder of the library.
    """

    def __init__(self, library_folder: Path) -> None:
        self.folder = library_folder / AUDIO_FOLDER
        self._library_folder = library_folder
        with self._translated():
            self.folder.mkdir(exist_ok=True)

    def path_of(self, sha256: str) -> Path:
        """File of a recording."""
        return self.folder / f"{sha256}.flac"

    def take_in(self, path: Path, *, progress: Callable[[float], None] | None = None) -> NewSound:
        """Copy a sound file into the store, as FLAC.

        Parameters
        ----------
        path : Path
            Any sound file that can be measured.
        progress : callable, optional
            Called with the share done, 0 to 1; what it raises stops the work.

        Returns
        -------
        NewSound
            To be kept with `keep`, or removed with `drop`.

        Raises
        ------
        AudioFileError
            If the file cannot be read or kept.
        LibraryError
            If the disk is full or gone.
        """
        with open_sound(path) as source:
            if source.channels > MOST_CHANNELS:
                raise AudioFileError(
                    f"{path.name} has {source.channels} channels, more than the library keeps "
                    f"({MOST_CHANNELS}); export one or two of them"
                )
            with open_with_libsndfile(path) as file:
                origin = f"{file.format} {file.subtype}"
                is_exact = file.subtype in _EXACT_SUBTYPES and source.handle.decoded_path is None
            temporary = self.new_temporary()
            try:
                if is_exact:
                    scale = 1.0
                    blocks = _exact_blocks(path)
                else:
                    scale = _scale_for(source)
                    blocks = _rounded_blocks(source, scale)
                written = self._write(temporary, blocks, source, progress or (lambda _share: None))
                if written != source.frames:
                    raise AudioFileError(
                        f"{path.name} changed while it was read; wait until it is complete and "
                        "try again"
                    )
                digest, size = sha256_of(temporary)
            except BaseException:
                temporary.unlink(missing_ok=True)
                raise
            return NewSound(
                temporary=temporary,
                name=path.name,
                sha256=digest,
                bytes=size,
                frames=source.frames,
                sample_rate_hz=source.sample_rate_hz,
                channels=source.channels,
                scale=scale,
                origin=origin,
                problems=source.problems,
            )

    def new_temporary(self) -> Path:
        """Name for a file that is being written."""
        return self.folder / f"{UNFINISHED}{secrets.token_hex(8)}.flac"

    def keep(self, sound: NewSound, writer: Writer) -> None:
        """Give the file its name; within the transaction that writes its row."""
        target = self.path_of(sound.sha256)
        with self._translated():
            if target.is_file() and target.stat().st_size == sound.bytes:
                sound.temporary.unlink(missing_ok=True)  # the same sound is there already
            else:
                sound.temporary.replace(target)
                _sync_folder(self.folder)
        writer.connection.execute("DELETE FROM doomed_audio WHERE sha256 = ?", (sound.sha256,))

    def drop(self, sounds: Sequence[NewSound]) -> None:
        """Remove files that were taken in and are not wanted after all."""
        for sound in sounds:
            with contextlib.suppress(OSError):
                sound.temporary.unlink(missing_ok=True)

    def remove_doomed(self, writer: Writer) -> int:
        """Remove files whose rows are gone; within a transaction, which keeps others out."""
        doomed = [row[0] for row in writer.connection.execute("SELECT sha256 FROM doomed_audio")]
        removed = 0
        for sha256 in doomed:
            used = writer.connection.execute(
                "SELECT 1 FROM recording WHERE sha256 = ? LIMIT 1", (sha256,)
            ).fetchone()
            if used is None:
                try:
                    self.path_of(sha256).unlink(missing_ok=True)
                    removed += 1
                except OSError as exc:  # open elsewhere: the next opening tries again
                    logger.warning("the sound %s cannot be removed yet: %s", sha256, exc)
                    continue
            writer.connection.execute("DELETE FROM doomed_audio WHERE sha256 = ?", (sha256,))
        return removed

    def remove_stale(self, *, older_than_s: float = STALE_S) -> int:
        """Remove what programs that died have left unfinished; returns how many."""
        removed = 0
        with self._translated():
            for path in list(self.folder.iterdir()):
                if not path.name.startswith((UNFINISHED, WORK)):
                    continue
                with contextlib.suppress(OSError):
                    if time.time() - path.stat().st_mtime < older_than_s:
                        continue
                    if path.is_dir():
                        shutil.rmtree(path)
                    else:
                        path.unlink()
                    removed += 1
        return removed

    def files(self) -> dict[str, Path]:
        """All finished files of the store, by their hash."""
        with self._translated():
            return {
                path.stem: path
                for path in self.folder.iterdir()
                if path.suffix == ".flac" and not path.name.startswith(UNFINISHED)
            }

    @contextlib.contextmanager
    def as_files(self, recordings: Sequence[Recording]) -> Iterator[Path]:
        """Lay the sound of a take under the names it came with, for the measures to read.

        Yields
        ------
        Path
            One file; or a folder, when the take has several.

        Raises
        ------
        LibraryError
            If a file is missing.
        """
        with self._translated():
            work = self.folder / f"{WORK}{secrets.token_hex(8)}"
            work.mkdir()
        try:
            paths = []
            for recording in recordings:
                stored = self.path_of(recording.sha256)
                if not stored.is_file():
                    raise LibraryError(
                        f"the sound of {recording.name} is missing in {self.folder}; bring the "
                        "file back from a copy, or import the recording again"
                    )
                paths.append(work / part_name(recording, len(recordings)))
                with self._translated():
                    _link_or_copy(stored, paths[-1])
            yield paths[0] if len(paths) == 1 else work
        finally:
            shutil.rmtree(work, ignore_errors=True)

    def _write(
        self,
        temporary: Path,
        blocks: Iterator[np.ndarray[tuple[int, ...], np.dtype[np.int32]]],
        source: SoundFileSource,
        progress: Callable[[float], None],
    ) -> int:
        """Write the blocks as 24-bit FLAC and force them to the disk; returns the frames."""
        frames = 0
        with self._translated():
            try:
                with soundfile.SoundFile(
                    temporary,
                    "w",
                    samplerate=source.sample_rate_hz,
                    channels=source.channels,
                    format="FLAC",
                    subtype="PCM_24",
                ) as out:
                    for block in blocks:
                        out.write(block)
                        frames += len(block)
                        progress(min(frames / source.frames, 1.0))
            except soundfile.SoundFileError as exc:
                raise LibraryError(
                    f"the sound cannot be written to {self.folder} ({exc}); make room on the disk "
                    "and try again"
                ) from exc
            with temporary.open("r+b") as written:
                os.fsync(written.fileno())
        return frames

    @contextlib.contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except OSError as exc:
            raise disk_error(self._library_folder, exc) from exc


def part_name(recording: Recording, parts: int) -> str:
    """Name of a recording of a take as the measures see it; unique and in order."""
    stem = Path(recording.name).stem
    safe = "".join(s if s.isalnum() or s in " -_.#()+" else "_" for s in stem).strip(" .")[:80]
    safe = safe or "recording"
    return f"{safe}.flac" if parts == 1 else f"{recording.position:04d} {safe}.flac"


def sha256_of(path: Path) -> tuple[str, int]:
    """Hash and size of a file, read in pieces."""
    digest = hashlib.sha256()
    size = 0
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
            size += len(piece)
    return digest.hexdigest(), size


def _exact_blocks(path: Path) -> Iterator[np.ndarray[tuple[int, ...], np.dtype[np.int32]]]:
    with open_with_libsndfile(path) as file:
        while True:
            try:
                block = file.read(_BLOCK_FRAMES, dtype="int32", always_2d=True)
            except (soundfile.SoundFileError, OSError) as exc:
                raise AudioFileError(
                    f"{path.name} is damaged in the middle; export it again from its source"
                ) from exc
            if len(block) == 0:
                return
            yield block


def _rounded_blocks(
    source: SoundFileSource, scale: float
) -> Iterator[np.ndarray[tuple[int, ...], np.dtype[np.int32]]]:
    for block in _channel_blocks(source):
        steps = np.rint(block.astype(np.float64) * (_FULL_SCALE / scale))
        steps = np.clip(steps, -_FULL_SCALE, _FULL_SCALE - 1)
        yield (steps.astype(np.int32) << 8).astype(np.int32)


def _channel_blocks(
    source: SoundFileSource,
) -> Iterator[np.ndarray[tuple[int, ...], np.dtype[np.float32]]]:
    """All channels side by side; the source itself reads one."""
    if source.channels == 1:
        uses = ["mono"]
    elif source.channels == 2:
        uses = ["left", "right"]
    else:
        uses = [f"channel {number + 1}" for number in range(source.channels)]
    with contextlib.ExitStack() as opened:
        channels = [
            opened.enter_context(replace(source.handle, channel_use=use).open()) for use in uses
        ]
        for start in range(0, source.frames, _BLOCK_FRAMES):
            stop = min(start + _BLOCK_FRAMES, source.frames)
            yield np.stack([channel.read(start, stop) for channel in channels], axis=1)


def _scale_for(source: SoundFileSource) -> float:
    """Power of two by which the samples must be divided to fit; 1 when they fit."""
    peak = max(
        (float(np.max(np.abs(block))) for block in _channel_blocks(source) if block.size),
        default=0.0,
    )
    if peak <= 1.0:
        return 1.0
    scale = float(2.0 ** math.ceil(math.log2(peak)))
    if scale > MOST_SCALE:
        raise AudioFileError(
            f"{source.path.name} goes {20 * math.log10(peak):.0f} dB beyond full scale, too far "
            "to be kept without loss; lower its level and import it again"
        )
    return scale


def _link_or_copy(stored: Path, target: Path) -> None:
    try:
        os.link(stored, target)
    except OSError:  # a file system without hard links
        shutil.copyfile(stored, target)


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
