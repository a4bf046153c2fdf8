"""How does a fault of the data base or the disk become one sentence for the user?

The edge towards sqlite3: `translated` turns its exceptions, and those of the operating system,
into a `LibraryError` that names the library and says what to do. Mistakes of the program itself
(a wrong statement, a closed connection) pass through unchanged.

Functions and classes: `translated`, `LibraryConflict`, `damaged`, `disk_error`.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from toneapp.errors import LibraryError

__all__ = ["LibraryConflict", "damaged", "disk_error", "translated"]

logger = logging.getLogger(__name__)

_BUSY = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL})
_DAMAGED = frozenset(
    {
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
        sqlite3.SQLITE_FORMAT,
        sqlite3.SQLITE_EMPTY,
        sqlite3.SQLITE_SCHEMA,
        sqlite3.SQLITE_MISMATCH,
    }
)


_LONGEST_QUOTE = 100


class LibraryConflict(LibraryError):
    """Another window or program changed the same thing meanwhile; nothing was written."""


@contextlib.contextmanager
def translated(place: Path) -> Iterator[None]:
    """Turn the faults of the block into a sentence about the library.

    Parameters
    ----------
    place : Path
        Folder of the library, for the message.

    Raises
    ------
    LibraryError
        For every fault of the world: busy, damaged, disk full, read-only, gone.
    """
    try:
        yield
    except sqlite3.IntegrityError as exc:
        logger.debug("a rule of the data base was broken", exc_info=True)
        raise LibraryConflict(
            "this does not fit what the library holds now, perhaps another window has changed it "
            f"({_brief(str(exc))}); look at it again and repeat the change"
        ) from exc
    except (sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.NotSupportedError):
        raise  # a mistake of the program
    except sqlite3.DatabaseError as exc:
        raise LibraryError(_sentence(place, exc)) from exc
    except UnicodeDecodeError as exc:
        # sqlite3 cannot even say what is wrong: the damaged text is in its message.
        raise damaged(place, "a text in it is no text") from exc
    except OSError as exc:
        raise disk_error(place, exc) from exc


def damaged(place: Path, what: str) -> LibraryError:
    """Make the error for a library whose content cannot be right."""
    return LibraryError(
        f"the library in {place} is damaged ({_brief(what)}); keep the folder as it is, and go on "
        "with a copy made before or with an archive of it"
    )


def disk_error(place: Path, exc: OSError) -> LibraryError:
    """Make the error for what the operating system said about a file of the library."""
    if exc.errno in (errno.ENOSPC, errno.EDQUOT):
        return LibraryError(_disk_full(place))
    if exc.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return LibraryError(
            f"the library in {place} may not be written; change the rights of the folder or "
            "choose another with --library"
        )
    if exc.errno in (errno.ENOENT, errno.ENOTDIR):
        return LibraryError(_gone(place))
    return LibraryError(
        f"the library in {place} cannot be used: {exc.strerror or exc}; check the disk and try "
        "again"
    )


def _sentence(place: Path, exc: sqlite3.DatabaseError) -> str:
    code = getattr(exc, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary in _BUSY:
        return (
            f"the library in {place} is busy: another window or program is writing to it; wait "
            "until it is done and try again"
        )
    if primary == sqlite3.SQLITE_FULL:
        return _disk_full(place)
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH):
        return (
            f"the library in {place} may not be written; change the rights of the folder or "
            "choose another with --library"
        )
    if primary == sqlite3.SQLITE_CANTOPEN:
        return _gone(place)
    if primary in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOLFS):
        return (
            f"the disk with the library in {place} does not answer as it should "
            f"({_brief(str(exc))}); check the disk and try again"
        )
    if primary in (sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_TOOBIG):
        return (
            f"something in the library in {place} is too large to be handled ({_brief(str(exc))})"
        )
    if primary in _DAMAGED or primary is None or primary == sqlite3.SQLITE_ERROR:
        return str(damaged(place, str(exc)))
    return f"the library in {place} cannot be used ({_brief(str(exc))}); try again"


def _brief(what: str) -> str:
    """One line of what the data base says, which may quote whole statements."""
    line = " ".join(what.split())
    return line if len(line) <= _LONGEST_QUOTE else f"{line[:_LONGEST_QUOTE]} ..."


def _disk_full(place: Path) -> str:
    return (
        f"the disk with the library in {place} is full; nothing was changed: make room and try "
        "again"
    )


def _gone(place: Path) -> str:
    return (
        f"the library in {place} cannot be opened: its folder is gone or not reachable; connect "
        "the disk again or choose another with --library"
    )
