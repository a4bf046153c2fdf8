"""How is a file written so that it is never half there?

Everything the program hands to the user goes through `write_atomically`: the bytes go into a file
of their own in the same folder, are flushed to the disk, and only then take the target's name. A
fault, a full disk or a killed process leaves the earlier file as it was.

Functions: `write_atomically`, `replacing` for writers that need a file name, and
`check_picture_name` before a picture is drawn.
"""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

from toneapp.errors import InputError, OutputError

__all__ = ["PICTURE_ENDINGS", "check_picture_name", "replacing", "write_atomically"]

PICTURE_ENDINGS = (".png",)

_ADVICE = {
    errno.ENOSPC: "the disk is full; make room or choose another disk",
    errno.EDQUOT: "your share of the disk is full; make room or choose another disk",
    errno.EACCES: "you may not write there; choose another folder",
    errno.EPERM: "you may not write there; choose another folder",
    errno.EROFS: "the disk is read-only; choose another folder",
    errno.ENOENT: "the folder does not exist; make it first or choose another",
    errno.ENOTDIR: "the folder does not exist; make it first or choose another",
    errno.EISDIR: "a folder has that name; choose another name",
    errno.EFBIG: "the disk does not take files of that size; choose another disk",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
}


def check_picture_name(path: str | Path) -> None:
    """Refuse a name that promises another kind of picture than is written.

    Raises
    ------
    InputError
        If the name does not end in one of `PICTURE_ENDINGS`.
    """
    if Path(path).suffix.lower() not in PICTURE_ENDINGS:
        raise InputError(f"{path} names no picture; let it end in {' or '.join(PICTURE_ENDINGS)}")


def write_atomically(path: str | Path, content: bytes | Callable[[IO[bytes]], None]) -> None:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : str or Path
        The file; one that exists is replaced. A symbolic link is followed.
    content : bytes or callable
        What to write, or a function that writes it into the open binary file it is given.

    Raises
    ------
    OutputError
        If the file cannot be written; the earlier file, if any, is still there.

    Notes
    -----
    See `replacing` for how. A device or a pipe as the target is written directly.
    """
    special = _special_file(path)
    if special is not None:
        try:
            with special.open("wb") as file:
                _write_content(file, content)
        except OSError as exc:
            raise OutputError(_sentence(path, exc)) from exc
        return
    with replacing(path) as temporary, temporary.open("w+b") as file:
        _write_content(file, content)


@contextlib.contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Give the name of a file to write, which takes the target's place when the block ends well.

    Parameters
    ----------
    path : str or Path
        The file to make or replace. A symbolic link is followed.

    Yields
    ------
    Path
        An empty file in the same folder, with the target's ending. Write it and close it within
        the block.

    Raises
    ------
    OutputError
        If an operating system error comes up in here or in the block; the earlier file, if any,
        is still there.

    Notes
    -----
    The bytes are forced to the disk (fsync) before the rename, and the folder after it where the
    system allows that, so that also a power cut leaves the old file or the new one. When the block
    is left by any exception, the unfinished file is removed.
    """
    target = Path(os.path.realpath(path))
    temporary: Path | None = None
    try:
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        handle, name = tempfile.mkstemp(
            dir=target.parent, prefix=".toneapp-unfinished-", suffix=target.suffix
        )
        os.close(handle)
        temporary = Path(name)
        yield temporary
        with temporary.open("r+b") as written:
            os.fsync(written.fileno())
        _take_over_mode(temporary, target)
        temporary.replace(target)
        temporary = None
        _sync_folder(target.parent)
    except OSError as exc:
        raise OutputError(_sentence(path, exc)) from exc
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()


def _special_file(path: str | Path) -> Path | None:
    """Return the path if it is a device or a pipe, which cannot be replaced."""
    target = Path(path)
    try:
        is_special = target.exists() and not target.is_file() and not target.is_dir()
    except OSError:
        return None
    return target if is_special else None


def _write_content(file: IO[bytes], content: bytes | Callable[[IO[bytes]], None]) -> None:
    if callable(content):
        content(file)
    else:
        file.write(content)


def _take_over_mode(temporary: Path, target: Path) -> None:
    """Give the new file the mode of the one it replaces, else what an ordinary new file has."""
    try:
        mode = target.stat().st_mode & 0o777
    except OSError:
        umask = os.umask(0)
        os.umask(umask)
        mode = 0o666 & ~umask
    with contextlib.suppress(OSError):  # a file system without modes
        temporary.chmod(mode)


def _sync_folder(folder: Path) -> None:
    """Force the new name to the disk; not every system can open a folder."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _sentence(path: str | Path, exc: OSError) -> str:
    code = exc.errno if exc.errno is not None else 0
    advice = _ADVICE.get(code) or f"{exc.strerror or exc}; choose another place"
    return f"{path} cannot be written: {advice}"
