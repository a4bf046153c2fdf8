"""How does an archive come into a library, whoever may have made it?

Nothing in it is trusted. Only files that ``archive.json`` names by their hash are read, under
names that this module makes; sizes are limited before and while reading; each sound must decode
and have its hash; every value of every row is checked. Rows and sounds come in with one
transaction, or nothing does.

Functions and classes: `look_into_archive`, `import_archive`, `ArchiveView`, `OnDuplicate`.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from toneapp.audio import open_sound
from toneapp.errors import ArchiveError, InputError, ToneappError
from toneapp.interchange import run_from_bytes, run_to_bytes
from toneapp.library.archive import (
    ARCHIVE_FORMAT,
    CONTENTS_NAME,
    audio_name,
    result_name,
)
from toneapp.library.archive_rows import Part, check_contents
from toneapp.library.archive_taking import OnDuplicate, Taker
from toneapp.library.database import Database
from toneapp.library.sound_store import NewSound, SoundStore
from toneapp.results import RunResult

__all__ = ["ArchiveView", "OnDuplicate", "import_archive", "look_into_archive"]

LARGEST_TEXT_BYTES = 64 << 20
LARGEST_RESULT_BYTES = 64 << 20
LARGEST_SOUND_BYTES = 8 << 30
MOST_FILES = 100_000
MOST_RATIO = 200.0
"""Texts of JSON are packed to a tenth; a file packed more than this is made to flood the disk."""

SPARE_BYTES = 256 << 20
"""Left free on the disk."""

_FAULTS = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveView:
    """What an archive holds, before it is taken in."""

    made_at: str
    instruments: tuple[str, ...]  # names
    runs: int
    sound_bytes: int
    duplicates: tuple[str, ...]  # names of instruments that the library has already


def look_into_archive(database: Database, path: Path) -> ArchiveView:
    """Tell what an archive holds and what of it the library has already.

    Raises
    ------
    ArchiveError
        If the file is no archive, or one that must not be taken in.
    """
    with _opened(path) as (_, made_at, instruments):
        with database.reading() as connection:
            present = {row[0] for row in connection.execute("SELECT uid FROM instrument")}
        return ArchiveView(
            made_at=made_at,
            instruments=tuple(item.values["name"] for item in instruments),
            runs=sum(len(item.parts["run"]) for item in instruments),
            sound_bytes=sum(
                sound.values["bytes"] for item in instruments for sound in _sounds(item)
            ),
            duplicates=tuple(
                item.values["name"] for item in instruments if item.values["uid"] in present
            ),
        )


def import_archive(
    database: Database,
    store: SoundStore,
    path: Path,
    *,
    on_duplicate: OnDuplicate = OnDuplicate.REFUSE,
    progress: Callable[[float], None] | None = None,
) -> tuple[int, ...]:
    """Take an archive in, whole or not at all.

    Parameters
    ----------
    database, store
        Of the library.
    path : Path
        The archive.
    on_duplicate : OnDuplicate
        What to do with instruments that are here already.
    progress : callable, optional
        Called with the share done, 0 to 1; what it raises stops the work.

    Returns
    -------
    tuple of int
        Numbers of the instruments that were taken in or added to.

    Raises
    ------
    ArchiveError
        If the archive is damaged, hostile, of an unknown version, or holds what the library has
        and `on_duplicate` is to refuse.
    LibraryError
        If the library cannot be written.
    """
    report = progress or (lambda _share: None)
    with _opened(path) as (archive, _, instruments):
        wanted = {sound.values["sha256"]: sound for item in instruments for sound in _sounds(item)}
        total = sum(sound.values["bytes"] for sound in wanted.values())
        if shutil.disk_usage(store.folder).free < total + SPARE_BYTES:
            raise ArchiveError(
                f"{path.name} needs {total / 1e6:.0f} MB for its sound, more than the disk of the "
                "library has; make room and try again"
            )
        results = _read_results(archive, path, instruments)
        sounds: dict[str, NewSound] = {}
        done = 0
        try:
            for sha256, sound in wanted.items():
                sounds[sha256] = _take_sound(archive, path, store, sound)
                done += sound.values["bytes"]
                report(0.99 * done / max(total, 1))
            with database.writing("import archive", can_undo=False) as writer:
                taker = Taker(writer, store, sounds, results, on_duplicate, path.name)
                numbers = tuple(taker.take(item) for item in instruments)
        finally:
            store.drop(list(sounds.values()))
    report(1.0)
    return numbers


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, str, list[Part]]]:
    """Open an archive and check its list of files and its rows."""
    try:
        with zipfile.ZipFile(path) as archive:
            infos = _checked_files(archive, path)
            text = _read(archive, infos[CONTENTS_NAME], path, LARGEST_TEXT_BYTES)
            made_at, instruments = _contents(text, path)
            _check_names(infos, instruments, path)
            yield archive, made_at, instruments
    except ToneappError:
        raise
    except FileNotFoundError as exc:
        raise ArchiveError(f"{path} does not exist; check the name and the folder") from exc
    except _FAULTS as exc:
        raise ArchiveError(
            f"{path.name} is damaged or not an archive ({exc}); export it again"
        ) from exc


def _checked_files(archive: zipfile.ZipFile, path: Path) -> dict[str, zipfile.ZipInfo]:
    infos: dict[str, zipfile.ZipInfo] = {}
    listed = archive.infolist()
    if len(listed) > MOST_FILES:
        raise ArchiveError(f"{path.name} holds {len(listed)} files, too many for an archive")
    for info in listed:
        kind = stat.S_IFMT(info.external_attr >> 16)
        if info.filename in infos:
            raise ArchiveError(f"{path.name} holds {info.filename!r} twice and is not taken in")
        if info.flag_bits & 0x1 or kind not in (0, stat.S_IFREG):
            raise ArchiveError(
                f"{path.name} holds {info.filename!r}, which is locked or no plain file; it is "
                "not taken in"
            )
        if info.file_size > MOST_RATIO * info.compress_size + 100_000:
            raise ArchiveError(
                f"{path.name} holds {info.filename!r}, which unpacks to far more than its size; "
                "it is not taken in"
            )
        infos[info.filename] = info
    if CONTENTS_NAME not in infos:
        raise ArchiveError(f"{path.name} is not an archive of a library; choose another file")
    return infos


def _read(archive: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path, largest: int) -> bytes:
    if info.file_size > largest:
        raise ArchiveError(f"{path.name}: {info.filename!r} is too large to be right")
    with archive.open(info) as file:
        content = file.read(largest + 1)
    if len(content) != info.file_size:
        raise ArchiveError(f"{path.name}: {info.filename!r} is not as long as it should be")
    return content


def _contents(text: bytes, path: Path) -> tuple[str, list[Part]]:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as exc:
        raise ArchiveError(f"{path.name}: its list of contents is damaged ({exc})") from exc
    if not isinstance(data, dict) or data.get("format") != ARCHIVE_FORMAT:
        found = data.get("format") if isinstance(data, dict) else None
        raise ArchiveError(
            f"{path.name} is of the format {found!r}, which this version does not know "
            f"({ARCHIVE_FORMAT}); update the program"
        )
    try:
        return str(data.get("made_at", "")), check_contents(data.get("instruments"))
    except (InputError, ValueError) as exc:
        raise ArchiveError(f"{path.name} holds what cannot be: {exc}") from exc


def _check_names(infos: dict[str, zipfile.ZipInfo], instruments: list[Part], path: Path) -> None:
    """Every file must be named by a row, and every row's file must be there."""
    takes = [
        take for item in instruments for run in item.parts["run"] for take in run.parts["take"]
    ]
    sizes = {
        audio_name(sound.values["sha256"]): sound.values["bytes"]
        for take in takes
        for sound in take.parts["recording"]
    }
    names = {result_name(r.values["sha256"]) for take in takes for r in take.parts["result"]}
    expected = {CONTENTS_NAME, *names, *sizes}
    for extra in sorted(infos.keys() - expected)[:1]:
        raise ArchiveError(f"{path.name} holds {extra!r}, which does not belong into an archive")
    for missing in sorted(expected - infos.keys())[:1]:
        raise ArchiveError(f"{path.name} lacks {missing!r}; export it again")
    for name, size in sizes.items():
        if infos[name].file_size != size or size > LARGEST_SOUND_BYTES:
            raise ArchiveError(f"{path.name}: {name!r} has not the size that it should have")


def _sounds(instrument: Part) -> Iterator[Part]:
    for run in instrument.parts["run"]:
        for take in run.parts["take"]:
            yield from take.parts["recording"]


def _read_results(
    archive: zipfile.ZipFile, path: Path, instruments: list[Part]
) -> dict[str, tuple[bytes, RunResult]]:
    """Read and check the measured values: packed as the library keeps them, and the run itself."""
    found: dict[str, tuple[bytes, RunResult]] = {}
    for item in instruments:
        for run in item.parts["run"]:
            for take in run.parts["take"]:
                for result in take.parts["result"]:
                    sha256 = result.values["sha256"]
                    if sha256 in found:
                        continue
                    info = archive.getinfo(result_name(sha256))
                    content = _read(archive, info, path, LARGEST_RESULT_BYTES)
                    if hashlib.sha256(content).hexdigest() != sha256:
                        raise ArchiveError(f"{path.name}: {info.filename!r} was changed")
                    try:
                        measured = run_from_bytes(content)
                    except InputError as exc:
                        raise ArchiveError(f"{path.name}: {info.filename!r}: {exc}") from exc
                    found[sha256] = (zlib.compress(run_to_bytes(measured), 6), measured)
    return found


def _take_sound(archive: zipfile.ZipFile, path: Path, store: SoundStore, sound: Part) -> NewSound:
    """Copy one sound beside the others, under no name yet, and check that it is one."""
    values = sound.values
    temporary = store.new_temporary()
    digest = hashlib.sha256()
    size = 0
    try:
        with archive.open(audio_name(values["sha256"])) as source, temporary.open("wb") as out:
            while piece := source.read(1 << 20):
                size += len(piece)
                if size > values["bytes"]:
                    raise ArchiveError(f"{path.name}: a sound is longer than it should be")
                digest.update(piece)
                out.write(piece)
            out.flush()
            os.fsync(out.fileno())
        if digest.hexdigest() != values["sha256"]:
            raise ArchiveError(f"{path.name}: the sound {values['name']!r} was changed")
        with open_sound(temporary) as opened:
            found = (opened.frames, opened.sample_rate_hz, opened.channels)
        if found != (values["frames"], values["sample_rate_hz"], values["channels"]):
            raise ArchiveError(f"{path.name}: the sound {values['name']!r} is not as described")
        if not _starts_as_flac(temporary):
            raise ArchiveError(f"{path.name}: the sound {values['name']!r} is not FLAC")
    except BaseException as exc:
        temporary.unlink(missing_ok=True)
        if isinstance(exc, ToneappError) and not isinstance(exc, ArchiveError):
            raise ArchiveError(
                f"{path.name}: the sound {values['name']!r} cannot be read"
            ) from exc
        raise
    return NewSound(
        temporary=temporary,
        name=values["name"],
        sha256=values["sha256"],
        bytes=size,
        frames=values["frames"],
        sample_rate_hz=values["sample_rate_hz"],
        channels=values["channels"],
        scale=values["scale"],
        origin=values["origin"],
        problems=(),
    )


def _starts_as_flac(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"fLaC"
