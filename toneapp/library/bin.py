"""What lies in the bin, and how does it come back or go for good?

Removing only marks a row; the sound stays. Emptying removes the rows in one transaction, which
also writes down which sound files have lost their last row; those go from the disk after that.

Classes: `Bin`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from toneapp.errors import InputError
from toneapp.library.database import Database
from toneapp.library.rows import BinItem
from toneapp.library.sound_store import SoundStore
from toneapp.library.writer import Writer
from toneapp.pitch import note_name

__all__ = ["Bin"]

_TABLE_OF = {
    "instrument": "instrument",
    "run": "run",
    "take": "take",
    "item": "worksheet_item",
    "weights": "hand_set",
}

_TITLES = {
    "instrument": "SELECT id, name AS title, deleted_at FROM instrument",
    "run": "SELECT run.id, instrument.name || ': ' || run.condition || ' (' ||"
    " substr(run.recorded_at, 1, 10) || ')' AS title, run.deleted_at FROM run"
    " JOIN instrument ON instrument.id = run.instrument_id",
    "take": "SELECT id, 'take ' || number || ' of run ' || run_id AS title, deleted_at FROM take",
    "item": "SELECT id, area || ': ' || finding AS title, deleted_at, midi FROM worksheet_item",
    "weights": "SELECT id, title || ' (' || substr(measured_at, 1, 10) || ')' AS title,"
    " deleted_at FROM hand_set",
}


class Bin:
    """The bin of a library."""

    def __init__(self, database: Database, store: SoundStore) -> None:
        self._database = database
        self._store = store

    def items(self) -> tuple[BinItem, ...]:
        """Return what lies in the bin, latest first."""
        found = []
        with self._database.reading() as connection:
            for kind, query in _TITLES.items():
                table = _TABLE_OF[kind]
                rows = connection.execute(f"{query} WHERE {table}.deleted_at IS NOT NULL")
                for row in rows.fetchall():
                    title = str(row["title"])
                    if kind == "item" and row["midi"] is not None:
                        title = f"{note_name(row['midi'])}, {title}"
                    found.append(
                        BinItem(
                            kind=kind,
                            id=row["id"],
                            title=title,
                            deleted_at=row["deleted_at"],
                            bytes=_audio_bytes(connection, kind, row["id"]),
                        )
                    )
        return tuple(sorted(found, key=lambda item: item.deleted_at, reverse=True))

    def restore(self, kind: str, row_id: int) -> None:
        """Bring something back from the bin.

        Raises
        ------
        InputError
            If it does not lie there.
        """
        table = _table(kind)
        with self._database.writing(f"restore {kind} {row_id}") as writer:
            row = writer.row(table, row_id)
            if row is None or row["deleted_at"] is None:
                raise InputError(f"no {kind} {row_id} lies in the bin; look at what is there")
            writer.update(table, row_id, {"deleted_at": None})

    def empty(self, items: Iterable[BinItem] | None = None) -> int:
        """Remove what lies in the bin for good; ask the person first.

        Parameters
        ----------
        items : iterable of BinItem, optional
            Only these; everything by default.

        Returns
        -------
        int
            Bytes of sound that were set free.

        Notes
        -----
        What was restored by someone else meanwhile is left alone.
        """
        chosen = self.items() if items is None else tuple(items)
        with self._database.writing("empty the bin", can_undo=False) as writer:
            before = _total_bytes(writer.connection)
            for item in chosen:
                row = writer.row(_table(item.kind), item.id)
                if row is not None and row["deleted_at"] is not None:
                    _REMOVERS[item.kind](writer, item.id)
            freed = before - _total_bytes(writer.connection)
        self.remove_doomed()
        return freed

    def remove_doomed(self) -> int:
        """Remove sound files whose rows are gone; done at opening and after emptying."""
        with self._database.reading() as connection:
            if connection.execute("SELECT 1 FROM doomed_audio LIMIT 1").fetchone() is None:
                return 0
        with self._database.writing("remove sound", can_undo=False) as writer:
            return self._store.remove_doomed(writer)


def _table(kind: str) -> str:
    if kind not in _TABLE_OF:
        raise InputError(
            f"{kind!r} is nothing that lies in a bin; say one of {', '.join(_TABLE_OF)}"
        )
    return _TABLE_OF[kind]


def _audio_bytes(connection: sqlite3.Connection, kind: str, row_id: int) -> int:
    conditions = {"instrument": "run.instrument_id", "run": "run.id", "take": "take.id"}
    if kind not in conditions:
        return 0
    row = connection.execute(
        "SELECT coalesce(sum(recording.bytes), 0) FROM recording"
        " JOIN take ON take.id = recording.take_id JOIN run ON run.id = take.run_id"
        f" WHERE {conditions[kind]} = ?",
        (row_id,),
    ).fetchone()
    return int(row[0])


def _total_bytes(connection: sqlite3.Connection) -> int:
    row = connection.execute(
        "SELECT coalesce(sum(bytes), 0) FROM (SELECT DISTINCT sha256, bytes FROM recording)"
    ).fetchone()
    return int(row[0])


def _ids(writer: Writer, query: str, value: int) -> list[int]:
    return [row[0] for row in writer.connection.execute(query, (value,)).fetchall()]


def _forget(writer: Writer, table: str, row_id: int) -> None:
    """Remove a row and what the history knows of it; what is removed for good is forgotten."""
    acts = writer.connection.execute(
        "SELECT DISTINCT act_id FROM act_change WHERE subject = ? AND row_id = ?", (table, row_id)
    ).fetchall()
    writer.connection.execute(
        "DELETE FROM act_change WHERE subject = ? AND row_id = ?", (table, row_id)
    )
    writer.connection.executemany(
        "DELETE FROM act WHERE id = ? AND NOT EXISTS"
        " (SELECT 1 FROM act_change WHERE act_id = act.id)",
        [(row[0],) for row in acts],
    )
    writer.delete(table, row_id)


def _remove_take(writer: Writer, take_id: int) -> None:
    writer.connection.execute(
        "INSERT OR IGNORE INTO doomed_audio (sha256) SELECT sha256 FROM recording"
        " WHERE take_id = ?",
        (take_id,),
    )
    writer.connection.execute("DELETE FROM result WHERE take_id = ?", (take_id,))
    for edit_id in _ids(writer, "SELECT id FROM strike_edit WHERE take_id = ?", take_id):
        _forget(writer, "strike_edit", edit_id)
    writer.connection.execute("DELETE FROM recording WHERE take_id = ?", (take_id,))
    _forget(writer, "take", take_id)
    # A sound that another run has too stays.
    writer.connection.execute(
        "DELETE FROM doomed_audio WHERE sha256 IN (SELECT sha256 FROM recording)"
    )


def _remove_run(writer: Writer, run_id: int) -> None:
    for take_id in _ids(writer, "SELECT id FROM take WHERE run_id = ?", run_id):
        _remove_take(writer, take_id)
    for tick_id in _ids(writer, "SELECT id FROM worklist_tick WHERE run_id = ?", run_id):
        _forget(writer, "worklist_tick", tick_id)
    _forget(writer, "run", run_id)


def _remove_weights(writer: Writer, set_id: int) -> None:
    for value_id in _ids(writer, "SELECT id FROM hand_value WHERE set_id = ?", set_id):
        _forget(writer, "hand_value", value_id)
    _forget(writer, "hand_set", set_id)


def _remove_instrument(writer: Writer, instrument_id: int) -> None:
    for run_id in _ids(writer, "SELECT id FROM run WHERE instrument_id = ?", instrument_id):
        _remove_run(writer, run_id)
    for set_id in _ids(writer, "SELECT id FROM hand_set WHERE instrument_id = ?", instrument_id):
        _remove_weights(writer, set_id)
    for item_id in _ids(
        writer, "SELECT id FROM worksheet_item WHERE instrument_id = ?", instrument_id
    ):
        _forget(writer, "worksheet_item", item_id)
    _forget(writer, "instrument", instrument_id)


_REMOVERS = {
    "instrument": _remove_instrument,
    "run": _remove_run,
    "take": _remove_take,
    "item": lambda writer, item_id: _forget(writer, "worksheet_item", item_id),
    "weights": _remove_weights,
}
