"""How do the checked rows of an archive become rows of a library?

Classes: `Taker`, `OnDuplicate`.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from toneapp.errors import ArchiveError
from toneapp.library.archive import ARCHIVE_TABLES
from toneapp.library.archive_rows import Part
from toneapp.library.sound_store import NewSound, SoundStore
from toneapp.library.writer import Writer, new_uid
from toneapp.results import RunResult

__all__ = ["OnDuplicate", "Taker"]


class OnDuplicate(StrEnum):
    """What to do with an instrument that the library has already."""

    REFUSE = "refuse"  # take nothing in
    SKIP = "skip"  # leave it as it is here, and take in only what it lacks
    KEEP_BOTH = "keep-both"  # take it in as another instrument


class Taker:
    """Writes checked rows into a library."""

    def __init__(
        self,
        writer: Writer,
        store: SoundStore,
        sounds: dict[str, NewSound],
        results: Mapping[str, tuple[bytes, RunResult]],
        on_duplicate: OnDuplicate,
        name: str,
    ) -> None:
        self._writer = writer
        self._store = store
        self._sounds = sounds
        self._results = results
        self._on_duplicate = on_duplicate
        self._name = name
        self._new_run_uids: dict[str, str] = {}

    def take(self, instrument: Part) -> int:
        """Write one instrument with all that belongs to it; returns its number."""
        present = self._row_of("instrument", instrument.values["uid"])
        is_copy = False
        if present is not None and self._on_duplicate is OnDuplicate.REFUSE:
            raise ArchiveError(
                f"{self._name} holds {instrument.values['name']!r}, which the library or its bin "
                "has already; say whether to skip what is here or to keep both"
            )
        if present is not None and self._on_duplicate is OnDuplicate.KEEP_BOTH:
            is_copy = True
            present = None
        if is_copy:
            self._new_run_uids = {run.values["uid"]: new_uid() for run in instrument.parts["run"]}
        if present is None:
            number = self._insert(instrument, {}, is_copy=is_copy)
        else:
            number = present
        self._take_parts("instrument", instrument, number, is_copy=is_copy)
        return number

    def _take_parts(self, table: str, owner: Part, owner_id: int, *, is_copy: bool) -> None:
        for name, owner_table, column, _ in ARCHIVE_TABLES:
            if owner_table != table:
                continue
            for part in owner.parts[name]:
                uid = part.values.get("uid")
                if uid is not None and not is_copy:
                    present = self._row_of(name, uid)
                    if present is not None:
                        continue  # it is here already, as it is here
                part_id = self._insert(part, {column: owner_id}, is_copy=is_copy)
                self._take_parts(name, part, part_id, is_copy=is_copy)

    def _insert(self, part: Part, owner: dict[str, int], *, is_copy: bool) -> int:
        values = dict(part.values) | owner
        if is_copy and "uid" in values:
            values["uid"] = self._new_run_uids.get(values["uid"], new_uid())
        if values.get("raised_run_uid") in self._new_run_uids:
            values["raised_run_uid"] = self._new_run_uids[values["raised_run_uid"]]
        if part.table == "recording":
            self._store.keep(self._sounds[values["sha256"]], self._writer)
        if part.table == "result":
            content, run = self._results[values.pop("sha256")]
            values |= {
                "content": content,
                "strikes": len(run.strikes),
                "notes": len(run.notes),
                "raised": sum(bool(note.raised) for note in run.notes),
                "level_evenness_db": run.evenness.level_db,
                "brightness_evenness_oct": run.evenness.brightness_oct,
            }
        return self._writer.insert(part.table, values)

    def _row_of(self, table: str, uid: str) -> int | None:
        row = self._writer.connection.execute(
            f"SELECT id FROM {table} WHERE uid = ?", (uid,)
        ).fetchone()
        return None if row is None else int(row[0])
