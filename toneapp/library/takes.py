"""Takes, recordings and strike edits as they stand in the data base.

Functions: `takes_of`, `add_take`, `edits_of`, `latest_result`, `next_number`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence

from toneapp.library.reading import read_edit, read_recording, read_take
from toneapp.library.rows import StrikeEdit, Take
from toneapp.library.sound_store import NewSound, SoundStore
from toneapp.library.writer import Writer, new_uid

__all__ = ["RESULT_FACTS", "add_take", "edits_of", "latest_result", "takes_of"]


def takes_of(connection: sqlite3.Connection, run_id: int) -> tuple[Take, ...]:
    """All takes of a run in their order, discarded ones too."""
    takes = connection.execute(
        "SELECT * FROM take WHERE run_id = ? ORDER BY number", (run_id,)
    ).fetchall()
    rows = connection.execute(
        "SELECT recording.* FROM recording JOIN take ON take.id = recording.take_id"
        " WHERE take.run_id = ? ORDER BY recording.take_id, recording.position",
        (run_id,),
    ).fetchall()
    recordings = [read_recording(row) for row in rows]
    return tuple(
        read_take(row, [item for item in recordings if item.take_id == row["id"]]) for row in takes
    )


def add_take(
    writer: Writer,
    store: SoundStore,
    sounds: Sequence[NewSound],
    *,
    run_id: int,
    recorded_at: str,
    is_whole_run: bool,
    replaces: bool = False,
    note: str = "",
) -> int:
    """Write a take with its recordings; within the transaction that names their files."""
    number = writer.connection.execute(
        "SELECT coalesce(max(number), 0) + 1 FROM take WHERE run_id = ?", (run_id,)
    ).fetchone()[0]
    take_id = writer.insert(
        "take",
        {
            "uid": new_uid(),
            "run_id": run_id,
            "number": number,
            "kind": "run" if is_whole_run else "notes",
            "replaces": int(replaces),
            "note": note,
            "recorded_at": recorded_at,
        },
    )
    for position, sound in enumerate(sounds):
        store.keep(sound, writer)
        writer.insert(
            "recording",
            {
                "take_id": take_id,
                "position": position,
                "name": sound.name,
                "sha256": sound.sha256,
                "bytes": sound.bytes,
                "frames": sound.frames,
                "sample_rate_hz": sound.sample_rate_hz,
                "channels": sound.channels,
                "scale": sound.scale,
                "origin": sound.origin,
                "problems": json.dumps(list(sound.problems)),
            },
        )
    return take_id


def edits_of(connection: sqlite3.Connection, take_id: int) -> tuple[StrikeEdit, ...]:
    """What was said about the strikes of a take, in time."""
    rows = connection.execute(
        "SELECT * FROM strike_edit WHERE take_id = ? ORDER BY part, onset_s, id", (take_id,)
    ).fetchall()
    return tuple(read_edit(row) for row in rows)


RESULT_FACTS = (
    "measures_version", "made_at", "strikes", "notes", "raised", "level_evenness_db",
    "brightness_evenness_oct",
)  # fmt: skip
"""What is told of a result without reading it."""


def latest_result(
    connection: sqlite3.Connection, take_id: int, *, has_content: bool = True
) -> sqlite3.Row | None:
    """Row of the last measurement of a take; without the values themselves for lists."""
    columns = "*" if has_content else ", ".join((*RESULT_FACTS, "settings"))
    row: sqlite3.Row | None = connection.execute(
        f"SELECT {columns} FROM result WHERE take_id = ? ORDER BY made_at DESC, id DESC LIMIT 1",
        (take_id,),
    ).fetchone()
    return row
