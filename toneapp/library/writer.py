"""How are rows changed within one transaction, so that it can be told and undone?

Classes and functions: `Writer`, `Change`, `now_text`, `new_uid`.
"""

from __future__ import annotations

import json
import sqlite3
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from toneapp.library.faults import LibraryConflict
from toneapp.library.schema import TABLES

__all__ = ["Change", "Writer", "new_uid", "now_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What one committed act has changed; told to those who subscribed."""

    label: str
    rows: tuple[tuple[str, int], ...]  # table and id
    act_id: int | None = None  # for undo; None when the act cannot be undone


class Writer:
    """Changes rows within one transaction and keeps what was there before, for undo."""

    def __init__(self, connection: sqlite3.Connection, label: str, *, can_undo: bool) -> None:
        self.connection = connection
        self.label = label
        self._can_undo = can_undo
        self._rows: list[tuple[str, int]] = []
        self._kept: list[tuple[str, int, str | None, str | None]] = []

    def row(self, table: str, row_id: int) -> dict[str, Any] | None:
        """One row as it stands now."""
        found = self.connection.execute(
            f"SELECT * FROM {_known(table)} WHERE id = ?", (row_id,)
        ).fetchone()
        return None if found is None else dict(found)

    def insert(self, table: str, values: Mapping[str, Any]) -> int:
        """Add a row; returns its id."""
        names = ", ".join(values)
        marks = ", ".join("?" for _ in values)
        cursor = self.connection.execute(
            f"INSERT INTO {_known(table)} ({names}) VALUES ({marks})", tuple(values.values())
        )
        assert cursor.lastrowid is not None
        self._keep(table, cursor.lastrowid, None)
        return cursor.lastrowid

    def update(
        self, table: str, row_id: int, values: Mapping[str, Any], *, version: int | None = None
    ) -> None:
        """Change a row.

        Parameters
        ----------
        version : int, optional
            The one that was read; another one now is a conflict.

        Raises
        ------
        LibraryConflict
            If the row is gone or was changed since.
        """
        before = self._current(table, row_id, version)
        changes = ", ".join(f"{name} = ?" for name in values)
        self.connection.execute(
            f"UPDATE {_known(table)} SET {changes}, version = version + 1 WHERE id = ?",
            (*values.values(), row_id),
        )
        self._keep(table, row_id, before)

    def delete(self, table: str, row_id: int, *, version: int | None = None) -> None:
        """Remove a row for good (as far as it cannot be undone).

        Raises
        ------
        LibraryConflict
            If the row is gone or was changed since.
        """
        before = self._current(table, row_id, version)
        self.connection.execute(f"DELETE FROM {_known(table)} WHERE id = ?", (row_id,))
        self._keep(table, row_id, before)

    def touch(self, table: str, row_id: int) -> None:
        """Tell the listeners of a row that was changed by a statement of its own."""
        self._rows.append((_known(table), row_id))

    def finish(self) -> Change:
        """Write down the act, before the transaction is kept."""
        act_id = None
        if self._can_undo and self._kept:
            self.connection.execute(
                "UPDATE act SET is_overtaken = 1 WHERE undone_at IS NOT NULL AND is_overtaken = 0"
            )
            act_id = self.connection.execute(
                "INSERT INTO act (label, made_at) VALUES (?, ?)", (self.label, now_text())
            ).lastrowid
            self.connection.executemany(
                "INSERT INTO act_change (act_id, subject, row_id, before, after)"
                " VALUES (?, ?, ?, ?, ?)",
                [(act_id, *kept) for kept in self._kept],
            )
        return Change(label=self.label, rows=tuple(dict.fromkeys(self._rows)), act_id=act_id)

    def _current(self, table: str, row_id: int, version: int | None) -> dict[str, Any]:
        row = self.row(table, row_id)
        if row is None:
            raise LibraryConflict(
                "what was to be changed is no longer in the library; another window has removed "
                "it, so nothing was changed"
            )
        if version is not None and row["version"] != version:
            raise LibraryConflict(
                "another window or program has changed this meanwhile, so nothing was changed; "
                "look at it again and repeat the change"
            )
        return row

    def _keep(self, table: str, row_id: int, before: Mapping[str, Any] | None) -> None:
        self._rows.append((table, row_id))
        if self._can_undo:
            after = self.row(table, row_id)
            self._kept.append((table, row_id, _row_text(before), _row_text(after)))


def now_text() -> str:
    """Present time, as it is written in the library."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_uid() -> str:
    """Name that is unique over all libraries."""
    return str(uuid.uuid4())


def _row_text(row: Mapping[str, Any] | None) -> str | None:
    return None if row is None else json.dumps(dict(row), ensure_ascii=False, sort_keys=True)


def _known(table: str) -> str:
    assert table in TABLES, table
    return table
