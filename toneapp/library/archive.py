"""How do instruments leave a library as one file?

The archive is a zip file: ``archive.json`` with all rows, ``audio/<sha256>.flac``, and
``results/<sha256>.json`` with the measured values as `toneapp.interchange` writes them. Every file
is named with its hash in ``archive.json``. The history of edits and the bin stay at home.

Functions: `export_archive`; names and limits shared with `archive_in`.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any

from toneapp.errors import InputError, LibraryError
from toneapp.interchange import run_to_bytes
from toneapp.library.database import Database
from toneapp.library.sound_store import SoundStore
from toneapp.library.stored_results import decode_result
from toneapp.library.writer import now_text
from toneapp.saving import write_atomically

__all__ = [
    "ARCHIVE_FORMAT", "ARCHIVE_TABLES", "CONTENTS_NAME", "EXPORTED_COLUMNS", "audio_name",
    "export_archive", "library_rows", "result_name",
]  # fmt: skip

ARCHIVE_FORMAT = "toneapp-archive/1"
CONTENTS_NAME = "archive.json"

EXPORTED_COLUMNS: dict[str, tuple[str, ...]] = {
    "instrument": (
        "uid", "name", "kind", "maker", "model", "serial", "year", "owner", "place", "notes",
        "lowest_midi", "highest_midi", "first_plain_midi", "last_damper_midi",
        "bass_bridge_top_midi", "strings", "a4_hz", "created_at", "changed_at",
    ),
    "run": (
        "uid", "condition", "purpose", "recorded_at", "place", "microphone", "distance_m",
        "gain_note", "calibration_db", "channel", "note_order", "notes", "created_at",
        "changed_at",
    ),
    "take": ("uid", "number", "kind", "replaces", "note", "recorded_at"),
    "recording": (
        "position", "name", "sha256", "bytes", "frames", "sample_rate_hz", "channels", "scale",
        "origin", "problems",
    ),
    "result": ("measures_version", "made_at", "settings"),
    "strike_edit": (
        "part", "onset_s", "action", "midi", "note", "made_at", "exact_onset_s", "release_s",
    ),
    "worksheet_item": (
        "uid", "position", "area", "finding", "action", "state", "minutes", "note", "midi",
        "raised_run_uid", "raised_as", "created_at", "done_at",
    ),
    "hand_set": ("uid", "title", "measured_at", "note"),
    "hand_value": ("midi", "down_weight_g", "up_weight_g", "key_dip_mm"),
    "worklist_tick": ("midi", "subject", "note", "made_at"),
}  # fmt: skip
"""What of each table leaves the library; numbers within the library do not."""

ARCHIVE_TABLES: tuple[tuple[str, str, str, bool], ...] = (
    ("run", "instrument", "instrument_id", True),
    ("worksheet_item", "instrument", "instrument_id", True),
    ("hand_set", "instrument", "instrument_id", True),
    ("hand_value", "hand_set", "set_id", False),
    ("take", "run", "run_id", True),
    ("worklist_tick", "run", "run_id", False),
    ("recording", "take", "take_id", False),
    ("strike_edit", "take", "take_id", False),
    ("result", "take", "take_id", False),
)
"""Table, the table it belongs to, by which column, and whether it has a bin; outer ones first."""


def audio_name(sha256: str) -> str:
    """Name of a sound within the archive."""
    return f"audio/{sha256}.flac"


def result_name(sha256: str) -> str:
    """Name of a result within the archive."""
    return f"results/{sha256}.json"


def library_rows(database: Database, instrument_ids: Sequence[int] | None) -> list[dict[str, Any]]:
    """Return instruments with all that belongs to them, as plain values.

    Parameters
    ----------
    database : Database
    instrument_ids : sequence of int or None
        Which; all that are not in the bin when None.

    Returns
    -------
    list of dict
        Each with the columns of its table, and under the names of other tables lists of theirs.
        A result has its values under ``content`` as bytes of JSON.

    Raises
    ------
    InputError
        If an instrument is missing.
    """
    found = []
    with database.reading() as connection:
        rows = connection.execute("SELECT * FROM instrument WHERE deleted_at IS NULL ORDER BY id")
        by_id = {row["id"]: dict(row) for row in rows.fetchall()}
        for instrument_id in by_id if instrument_ids is None else dict.fromkeys(instrument_ids):
            if instrument_id not in by_id:
                raise InputError(
                    f"there is no instrument {instrument_id} in the library to export"
                )
            found.append(_with_parts(connection, "instrument", by_id[instrument_id]))
    return found


def _with_parts(connection: Any, table: str, row: dict[str, Any]) -> dict[str, Any]:
    values = {name: row[name] for name in EXPORTED_COLUMNS[table]}
    if table == "result":
        values["content"] = run_to_bytes(decode_result(row["content"]))
    for part, owner, column, has_bin in ARCHIVE_TABLES:
        if owner != table:
            continue
        condition = " AND deleted_at IS NULL" if has_bin else ""
        rows = connection.execute(
            f"SELECT * FROM {part} WHERE {column} = ?{condition} ORDER BY id", (row["id"],)
        ).fetchall()
        values[part] = [_with_parts(connection, part, dict(item)) for item in rows]
    return values


def export_archive(
    database: Database,
    store: SoundStore,
    path: Path,
    *,
    instrument_ids: Sequence[int] | None = None,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Write instruments with all that belongs to them into one file.

    Parameters
    ----------
    database, store
        Of the library.
    path : Path
        The archive; written whole or not at all.
    instrument_ids : sequence of int, optional
        All instruments by default.
    progress : callable, optional
        Called with the share done, 0 to 1; what it raises stops the work.

    Returns
    -------
    int
        Number of instruments in it.

    Raises
    ------
    OutputError
        If the file cannot be written.
    LibraryError
        If a sound is missing or has changed in the library.
    """
    report = progress or (lambda _share: None)
    rows = library_rows(database, instrument_ids)
    takes = [take for item in rows for run in item["run"] for take in run["take"]]
    results: dict[str, bytes] = {}
    for take in takes:
        for result in take["result"]:
            content: bytes = result.pop("content")
            result["sha256"] = hashlib.sha256(content).hexdigest()
            results[result["sha256"]] = content
    sounds = {r["sha256"]: int(r["bytes"]) for take in takes for r in take["recording"]}
    contents = {"format": ARCHIVE_FORMAT, "made_at": now_text(), "instruments": rows}
    total = max(sum(sounds.values()), 1)

    def write(file: IO[bytes]) -> None:
        done = 0
        with zipfile.ZipFile(file, "w", allowZip64=True) as archive:
            text = json.dumps(contents, ensure_ascii=False, indent=1).encode("utf-8")
            archive.writestr(CONTENTS_NAME, text, zipfile.ZIP_DEFLATED)
            for sha256, content in results.items():
                archive.writestr(result_name(sha256), content, zipfile.ZIP_DEFLATED)
            for sha256, size in sounds.items():
                _write_sound(archive, store, sha256)
                done += size
                report(done / total)

    write_atomically(path, write)
    return len(rows)


def _write_sound(archive: zipfile.ZipFile, store: SoundStore, sha256: str) -> None:
    """Copy one sound, checking on the way that it is what was once taken in."""
    source = store.path_of(sha256)
    if not source.is_file():
        raise LibraryError(
            f"the sound {source.name} is missing in the library; bring it back from a copy, or "
            "lay its run in the bin and export again"
        )
    digest = hashlib.sha256()
    info = zipfile.ZipInfo(audio_name(sha256))
    info.external_attr = 0o644 << 16
    with source.open("rb") as sound, archive.open(info, "w", force_zip64=True) as out:
        while piece := sound.read(1 << 20):
            digest.update(piece)
            out.write(piece)
    if digest.hexdigest() != sha256:
        raise LibraryError(
            f"the sound {source.name} has changed since it was taken in; bring it back from a "
            "copy, or lay its run in the bin and export again"
        )
