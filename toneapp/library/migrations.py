"""How is a library of an older version brought up to date without risk?

A copy of the data base is laid beside it first, whole and checked; then all steps run in one
transaction, which the data base either keeps or forgets as a whole.

Functions: `migrate`, `fold_text`.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import unicodedata
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from toneapp.errors import LibraryError
from toneapp.library.faults import damaged
from toneapp.library.schema import SCHEMA_VERSION

__all__ = ["COPIES_FOLDER", "INSTRUMENT_TEXTS", "RUN_TEXTS", "fold_text", "migrate"]

logger = logging.getLogger(__name__)

COPIES_FOLDER = "copies"

INSTRUMENT_TEXTS = ("name", "kind", "maker", "model", "serial", "year", "owner", "place", "notes")
RUN_TEXTS = (
    "condition", "purpose", "recorded_at", "place", "microphone", "gain_note", "notes",
)  # fmt: skip
"""Columns that the search looks through."""


def fold_text(text: str) -> str:
    """Bring a text to the form in which it is searched: no capitals, no accents.

    Examples
    --------
    >>> fold_text("FLÜGEL, Straße")
    'flugel, strasse'
    """
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in apart if not unicodedata.combining(sign))


def migrate(connection: sqlite3.Connection, folder: Path) -> Path:
    """Bring the data base to the present schema.

    Parameters
    ----------
    connection : sqlite3.Connection
        In autocommit mode and with no transaction open.
    folder : Path
        Folder of the library.

    Returns
    -------
    Path
        The copy that was made.

    Raises
    ------
    LibraryError
        If the older file is damaged or of a version no step starts from.
    """
    version = schema_version(connection)
    unknown = [v for v in range(version, SCHEMA_VERSION) if v not in _STEPS]
    if version < 1 or unknown:
        raise LibraryError(
            f"the library in {folder} has schema version {version}, which cannot be brought up to "
            "date; open it with the version of toneapp that made it and export an archive there"
        )
    faults = [row[0] for row in connection.execute("PRAGMA integrity_check(5)")]
    if faults != ["ok"]:
        raise damaged(folder, str(faults[0]))
    copy = _copy_first(connection, folder, version)
    connection.execute("PRAGMA foreign_keys = OFF")  # has no effect inside a transaction
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            version = schema_version(connection)
            while version < SCHEMA_VERSION:
                logger.info("bringing the library from schema %d to %d", version, version + 1)
                _STEPS[version](connection)
                version += 1
                connection.execute(f"PRAGMA user_version = {version}")
            if connection.execute("PRAGMA foreign_key_check").fetchone() is not None:
                raise damaged(folder, "rows that belong to nothing")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    finally:
        connection.execute("PRAGMA foreign_keys = ON")
    return copy


def schema_version(connection: sqlite3.Connection) -> int:
    """Schema version that the file says it has; 0 for an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _copy_first(connection: sqlite3.Connection, folder: Path, version: int) -> Path:
    """Lay a copy of the data base beside it; whole or not at all."""
    copies = folder / COPIES_FOLDER
    copies.mkdir(exist_ok=True)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
    target = copies / f"library-schema-{version}-{stamp}.sqlite"
    temporary = target.with_name(f".unfinished-{target.name}")
    try:
        copy = sqlite3.connect(temporary)
        try:
            connection.backup(copy)
            # A copy in one file, readable without the files of the write-ahead log.
            copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            copy.close()
        with temporary.open("r+b") as written:
            os.fsync(written.fileno())
        temporary.replace(target)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
    return target


def _add_search_text(connection: sqlite3.Connection) -> None:
    """Version 1 to 2: texts for a search that knows capitals and accents of any language."""
    for table, columns in (("instrument", INSTRUMENT_TEXTS), ("run", RUN_TEXTS)):
        connection.execute(f"ALTER TABLE {table} ADD COLUMN search_text TEXT NOT NULL DEFAULT ''")
        names = ", ".join(columns)
        for row in connection.execute(f"SELECT id, {names} FROM {table}").fetchall():
            text = fold_text(" ".join(row[1:]))
            connection.execute(
                f"UPDATE {table} SET search_text = ? WHERE id = ?", (text, int(row[0]))
            )


def _add_exact_bounds(connection: sqlite3.Connection) -> None:
    """Version 2 to 3: where a strike begins and ends, when a person has set it."""
    for column in ("exact_onset_s", "release_s"):
        connection.execute(f"ALTER TABLE strike_edit ADD COLUMN {column} REAL")


_STEPS: dict[int, Callable[[sqlite3.Connection], None]] = {
    1: _add_search_text,
    2: _add_exact_bounds,
}
"""By the version a step starts from."""
