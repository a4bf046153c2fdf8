"""How is the data base opened, read and written safely, from any thread and beside other programs?

One connection a thread. Reading is a snapshot; writing is one transaction that takes the write
lock at its start, waits for others up to a limit, and is either kept whole or forgotten.

Classes: `Database`.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
import time
import weakref
from collections.abc import Callable, Iterator
from pathlib import Path

from toneapp.errors import LibraryError
from toneapp.library.faults import damaged, translated
from toneapp.library.migrations import migrate, schema_version
from toneapp.library.schema import (
    APPLICATION_ID,
    CREATE,
    SCHEMA_VERSION,
    TABLES,
    UNCHECKED_TABLES,
)
from toneapp.library.writer import Change, Writer, new_uid, now_text

__all__ = ["BUSY_S", "Database"]

logger = logging.getLogger(__name__)

DATABASE_NAME = "library.sqlite"
BUSY_S = 10.0
"""How long to wait for another program that is writing."""

OLDEST_SQLITE = (3, 37, 0)  # the first with STRICT tables

_FOREIGN_TABLE = "it holds what no library holds"


class _Connection(sqlite3.Connection):
    """A connection that can be referred to weakly and closes when its thread is gone."""

    def __del__(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self.close()


class Database:
    """The SQLite file of one library.

    Parameters
    ----------
    folder : Path
        Folder of the library.
    can_create : bool
        Make folder and file when they are missing.
    busy_s : float
        How long to wait for others that write, in seconds.

    Raises
    ------
    LibraryError
        If the library is missing, damaged, too new, busy, or its disk fails.
    """

    def __init__(self, folder: Path, *, can_create: bool, busy_s: float = BUSY_S) -> None:
        self.folder = folder
        self.path = folder / DATABASE_NAME
        self.busy_s = busy_s
        self.copy_made: Path | None = None  # before a migration at this opening
        self._local = threading.local()
        self._connections: weakref.WeakSet[_Connection] = weakref.WeakSet()
        self._listeners: list[Callable[[Change], None]] = []
        self._is_closed = False
        if sqlite3.sqlite_version_info < OLDEST_SQLITE:
            raise LibraryError(
                f"this Python has SQLite {sqlite3.sqlite_version}, too old for the library; "
                "use a newer Python"
            )
        with translated(folder):
            if can_create:
                folder.mkdir(parents=True, exist_ok=True)
            elif not self.path.is_file():
                raise LibraryError(
                    f"there is no library in {folder}; name another folder with --library, or "
                    "add an instrument to begin one"
                )
        try:
            with translated(folder):
                self._prepare(self._connection())
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the connections of all threads."""
        self._is_closed = True
        for connection in list(self._connections):
            with contextlib.suppress(sqlite3.Error):
                connection.close()

    def subscribe(self, listener: Callable[[Change], None]) -> Callable[[], None]:
        """Call `listener` after each committed change, in the thread that made it.

        Returns
        -------
        callable
            Ends the subscription.
        """
        self._listeners.append(listener)

        def unsubscribe() -> None:
            with contextlib.suppress(ValueError):
                self._listeners.remove(listener)

        return unsubscribe

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Give a connection that sees one state throughout the block."""
        with translated(self.folder):
            connection = self._connection()
            if connection.in_transaction:
                yield connection
                return
            connection.execute("BEGIN")
            try:
                yield connection
            finally:
                _roll_back(connection)  # nothing was written

    @contextlib.contextmanager
    def writing(self, label: str, *, can_undo: bool = True) -> Iterator[Writer]:
        """Give a writer; what it does is kept when the block ends well, else nothing of it.

        Parameters
        ----------
        label : str
            What is done, in a few words, for the list of acts.
        can_undo : bool
            Keep what is needed to undo it.

        Raises
        ------
        LibraryConflict
            If a row was changed by someone else since it was read.
        LibraryError
            If the library cannot be written.
        """
        with translated(self.folder):
            connection = self._connection()
            assert not connection.in_transaction, "a writing block inside another"
            connection.execute("BEGIN IMMEDIATE")
            try:
                if schema_version(connection) != SCHEMA_VERSION:
                    raise LibraryError(
                        f"the library in {self.folder} was brought up to date by a newer program "
                        "meanwhile; start this one again"
                    )
                writer = Writer(connection, label, can_undo=can_undo)
                yield writer
                change = writer.finish()
                connection.execute("COMMIT")
            except BaseException:
                _roll_back(connection)
                raise
        if change.rows:
            for listener in list(self._listeners):
                listener(change)

    def data_version(self) -> int:
        """Give a number that differs from the last one when another program has written."""
        with translated(self.folder):
            return int(self._connection().execute("PRAGMA data_version").fetchone()[0])

    def faults(self, *, is_thorough: bool) -> list[str]:
        """Look for damage; an empty list is a clean bill.

        Parameters
        ----------
        is_thorough : bool
            Also read the measured results, and compare the indexes with their tables.
        """
        with self.reading() as connection:
            return _faults(connection, is_thorough=is_thorough)

    def _connection(self) -> _Connection:
        """Connection of this thread, opened at its first use."""
        if self._is_closed:
            raise LibraryError(f"the library in {self.folder} was closed; open it again")
        connection: _Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            if not self.folder.is_dir():
                raise FileNotFoundError(2, "No such file or directory", str(self.folder))
            connection = sqlite3.connect(
                self.path,
                timeout=self.busy_s,
                isolation_level=None,
                check_same_thread=False,  # `close` closes those of all threads
                factory=_Connection,
            )
            self._connections.add(connection)
            connection.row_factory = sqlite3.Row
            for pragma in ("foreign_keys = ON", "synchronous = FULL", "trusted_schema = OFF"):
                connection.execute(f"PRAGMA {pragma}")
            self._local.connection = connection
        return connection

    def _prepare(self, connection: _Connection) -> None:
        """Bring a new or old file to the present schema, and check it."""
        self._check_origin(connection)
        self._use_write_ahead_log(connection)
        if schema_version(connection) == 0:
            if any((self.folder / "audio").glob("*.flac")):
                raise damaged(self.folder, f"{DATABASE_NAME} is empty, but there are sounds")
            self._create(connection)
        version = schema_version(connection)
        if version > SCHEMA_VERSION:
            raise LibraryError(
                f"the library in {self.folder} was made by a newer toneapp (schema {version}, "
                f"this one knows {SCHEMA_VERSION}); update this program"
            )
        if version < SCHEMA_VERSION:
            self.copy_made = migrate(connection, self.folder)
        found = _faults(connection, is_thorough=False)
        if found:
            raise damaged(self.folder, found[0])

    def _check_origin(self, connection: _Connection) -> None:
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        origin = connection.execute("PRAGMA application_id").fetchone()[0]
        if tables and origin != APPLICATION_ID:
            raise LibraryError(
                f"{self.path} is not a library of toneapp; choose another folder with --library"
            )

    def _use_write_ahead_log(self, connection: _Connection) -> None:
        """Switch to WAL, which a file remembers; others that open it now may make us wait."""
        last = time.monotonic() + self.busy_s
        while True:
            try:
                mode = connection.execute("PRAGMA journal_mode").fetchone()[0]
                if mode != "wal":
                    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
                break
            except sqlite3.OperationalError as exc:
                code = exc.sqlite_errorcode & 0xFF
                if code not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                    raise
                if time.monotonic() > last:
                    raise
                time.sleep(0.02)
        if mode != "wal":
            raise LibraryError(
                f"the disk of {self.folder} cannot hold a library that several programs share "
                "(it may be a network drive); choose a folder on a disk of this computer"
            )

    def _create(self, connection: _Connection) -> None:
        connection.execute("BEGIN IMMEDIATE")
        try:
            if schema_version(connection) == 0:  # no one was faster
                for statement in CREATE:
                    connection.execute(statement)
                connection.executemany(
                    "INSERT INTO library_fact (key, value) VALUES (?, ?)",
                    [("uid", new_uid()), ("created_at", now_text())],
                )
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            connection.execute("COMMIT")
        except BaseException:
            _roll_back(connection)
            raise


def _roll_back(connection: sqlite3.Connection) -> None:
    """End a transaction without keeping it, if the data base has not done so itself."""
    if connection.in_transaction:
        connection.execute("ROLLBACK")


def _faults(connection: sqlite3.Connection, *, is_thorough: bool) -> list[str]:
    found: list[str] = []
    present = {
        row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    }
    missing = [table for table in TABLES if table not in present]
    if missing:
        return [f"the table {missing[0]} is missing"]
    extra = connection.execute(
        "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'view') LIMIT 1"
    ).fetchone()
    if extra is not None:
        return [_FOREIGN_TABLE]
    if is_thorough:
        checks = ["PRAGMA integrity_check(5)", "PRAGMA foreign_key_check"]
    else:
        checks = [f"PRAGMA quick_check({t})" for t in TABLES if t not in UNCHECKED_TABLES]
        checks.append("PRAGMA foreign_key_check")
    for check in checks:
        for row in connection.execute(check).fetchall():
            if row[0] != "ok":
                text = row[0] if check != checks[-1] else f"a row of {row[0]} belongs to nothing"
                found.append(str(text))
    return found
