"""What was done in the library, and how is it undone?

Every edit keeps the rows before and after it. Undoing puts the earlier rows back, if they still
are as the edit left them; otherwise someone has worked on them since, and nothing is done.

Classes: `History`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from typing import Any

from toneapp.errors import InputError
from toneapp.library.database import Database
from toneapp.library.faults import LibraryConflict
from toneapp.library.migrations import INSTRUMENT_TEXTS, RUN_TEXTS, fold_text
from toneapp.library.reading import checked
from toneapp.library.rows import Act
from toneapp.library.schema import TABLES
from toneapp.library.writer import Writer, now_text

__all__ = ["History"]

_UNCOMPARED = frozenset({"version", "changed_at", "search_text"})
_SEARCHED = {"instrument": INSTRUMENT_TEXTS, "run": RUN_TEXTS}


class History:
    """The acts of a library, latest first."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def acts(self, *, limit: int = 50) -> tuple[Act, ...]:
        """Return the latest acts, latest first."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT * FROM act ORDER BY id DESC LIMIT ?", (limit,)
            ).fetchall()
        return tuple(_read_act(row) for row in rows)

    def row_history(self, table: str, row_id: int) -> tuple[tuple[str, dict[str, Any]], ...]:
        """Return earlier states of a row, latest first, with the time each ended."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT act.made_at, act_change.before FROM act_change JOIN act"
                " ON act.id = act_change.act_id WHERE subject = ? AND row_id = ?"
                " AND before IS NOT NULL ORDER BY act_change.id DESC",
                (table, row_id),
            ).fetchall()
        return checked(
            lambda: tuple((row[0], dict(json.loads(row[1]))) for row in rows), "the history"
        )

    def undo(self, act_id: int | None = None) -> Act:
        """Take an act back: the latest one, or the one named.

        Raises
        ------
        InputError
            If there is nothing to undo.
        LibraryConflict
            If what it changed was changed again since.
        """
        return self._turn(act_id, is_undo=True)

    def redo(self, act_id: int | None = None) -> Act:
        """Do again what was undone: the act undone last, or the one named.

        Raises
        ------
        InputError
            If there is nothing to do again.
        LibraryConflict
            If what it would change was changed since.
        """
        return self._turn(act_id, is_undo=False)

    def _turn(self, act_id: int | None, *, is_undo: bool) -> Act:
        word = "undo" if is_undo else "do again"
        with self._database.writing(word, can_undo=False) as writer:
            row = _find_act(writer.connection, act_id, is_undo=is_undo)
            if row is None:
                raise InputError(
                    f"there is nothing to {word} in this library; nothing was changed"
                )
            order = "DESC" if is_undo else "ASC"
            changes = writer.connection.execute(
                f"SELECT subject, row_id, before, after FROM act_change WHERE act_id = ?"
                f" ORDER BY id {order}",
                (row["id"],),
            ).fetchall()
            for change in changes:
                old, new = change["after"], change["before"]
                if not is_undo:
                    old, new = new, old
                _put(writer, change["subject"], change["row_id"], _row(old), _row(new))
            undone_at = now_text() if is_undo else None
            writer.connection.execute(
                "UPDATE act SET undone_at = ? WHERE id = ?", (undone_at, row["id"])
            )
            row = writer.connection.execute(
                "SELECT * FROM act WHERE id = ?", (row["id"],)
            ).fetchone()
            return _read_act(row)


def _find_act(
    connection: sqlite3.Connection, act_id: int | None, *, is_undo: bool
) -> sqlite3.Row | None:
    fitting = "undone_at IS NULL" if is_undo else "undone_at IS NOT NULL AND is_overtaken = 0"
    if act_id is not None:
        found = connection.execute(f"SELECT * FROM act WHERE id = ? AND {fitting}", (act_id,))
    else:
        order = "DESC" if is_undo else "ASC"
        found = connection.execute(
            f"SELECT * FROM act WHERE {fitting} ORDER BY id {order} LIMIT 1"
        )
    row: sqlite3.Row | None = found.fetchone()
    return row


def _row(text: str | None) -> dict[str, Any] | None:
    if text is None:
        return None
    return checked(lambda: dict(json.loads(text)), "the history")


def _put(
    writer: Writer,
    table: str,
    row_id: int,
    expected: Mapping[str, Any] | None,
    wanted: Mapping[str, Any] | None,
) -> None:
    """Bring a row from one state to another."""
    checked(lambda: TABLES.index(table), "the history")
    now = writer.row(table, row_id)
    if _compared(now) != _compared(expected):
        raise LibraryConflict(
            "what is to be undone was changed again since, perhaps in another window; change it "
            "by hand instead"
        )
    if wanted is None:
        writer.delete(table, row_id)
        return
    columns = {
        row[1] for row in writer.connection.execute(f"PRAGMA table_info({table})").fetchall()
    }
    values = {name: value for name, value in wanted.items() if name in columns}
    if table in _SEARCHED:  # not kept by the history of older libraries
        values["search_text"] = fold_text(" ".join(str(values[n]) for n in _SEARCHED[table]))
    if now is None:
        writer.insert(table, values)
    else:
        values.pop("version", None)
        values.pop("id", None)
        writer.update(table, row_id, values)


def _compared(row: Mapping[str, Any] | None) -> dict[str, Any] | None:
    if row is None:
        return None
    # What is empty is left out: a column may have come with a later version than the act.
    return {
        name: value for name, value in row.items() if value is not None and name not in _UNCOMPARED
    }


def _read_act(row: sqlite3.Row) -> Act:
    return Act(
        id=row["id"],
        label=row["label"],
        made_at=row["made_at"],
        undone_at=row["undone_at"],
        can_undo=row["undone_at"] is None,
        can_redo=row["undone_at"] is not None and not row["is_overtaken"],
    )
