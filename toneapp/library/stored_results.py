"""How is a measured result kept in the data base, and read again?

Packed JSON as `toneapp.interchange` writes it, beside the settings it was measured with.

Functions: `write_result`, `stored_result`, `decode_result`, `settings_text`.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Sequence

from toneapp.errors import InputError, LibraryError
from toneapp.interchange import run_from_bytes, run_from_json
from toneapp.library.edited import label_facts
from toneapp.library.rows import Instrument, Run, StrikeEdit, Take
from toneapp.library.takes import latest_result
from toneapp.library.writer import Writer, now_text
from toneapp.results import RunResult

__all__ = ["decode_result", "settings_text", "stored_result", "write_result"]

LARGEST_RESULT_BYTES = 256 << 20
"""A run of an hour has less than 20 MB of values."""


def write_result(
    writer: Writer, take: Take, result: RunResult, settings: str, content: bytes
) -> None:
    """Write a result in place of one by the same measures."""
    writer.connection.execute(
        "INSERT OR REPLACE INTO result (take_id, measures_version, made_at, settings, content,"
        " strikes, notes, raised, level_evenness_db, brightness_evenness_oct)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            take.id,
            result.measures_version,
            now_text(),
            settings,
            content,
            len(result.strikes),
            len(result.notes),
            sum(bool(note.raised) for note in result.notes),
            result.evenness.level_db,
            result.evenness.brightness_oct,
        ),
    )
    writer.touch("result", take.id)
    writer.touch("run", take.run_id)


def decode_result(content: bytes, *, with_partials: bool = True) -> RunResult:
    """Read a result as it is stored.

    Parameters
    ----------
    content : bytes
        Packed JSON.
    with_partials : bool
        False leaves the tables of partials empty.

    Raises
    ------
    LibraryError
        If it is damaged.
    """
    try:
        unpacker = zlib.decompressobj()
        text = unpacker.decompress(content, LARGEST_RESULT_BYTES)
        if unpacker.unconsumed_tail:
            raise ValueError("larger than any run")
        if with_partials:
            return run_from_bytes(text)
        data = json.loads(text)
        for strike in data["strikes"]:
            strike["partials"] = []
        return run_from_json(data)
    except (zlib.error, ValueError, TypeError, KeyError, InputError, MemoryError) as exc:
        raise LibraryError(
            f"a stored result is damaged ({exc}); measure the run again, its sound is kept apart"
        ) from exc


def stored_result(
    connection: sqlite3.Connection, take_id: int, *, with_partials: bool = True
) -> tuple[RunResult, str] | None:
    """Last result of a take, and its settings; None when it was not measured yet."""
    row = latest_result(connection, take_id)
    if row is None:
        return None
    result = decode_result(row["content"], with_partials=with_partials)
    return result, str(row["settings"])


def settings_text(instrument: Instrument, run: Run, edits: Sequence[StrikeEdit]) -> str:
    """All that a result depends on besides sound and measures, as one text."""
    return json.dumps(
        {
            "compass": str(instrument.compass),
            "first_plain_midi": instrument.first_plain_midi,
            "last_damper_midi": instrument.last_damper_midi,
            "bass_bridge_top_midi": instrument.bass_bridge_top_midi,
            "a4_hz": instrument.a4_hz,
            "order": run.note_order,
            "channel": run.channel,
            "calibration_db": run.calibration_db,
            "labels": [label_facts(edit) for edit in edits],
        },
        sort_keys=True,
    )
