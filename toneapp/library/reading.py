"""How does a row of the data base become a row of the library, and back?

A value that cannot be (a compass that runs downward, a text that is no list) is damage and says
so.

Functions: `read_instrument`, `instrument_values`, `read_run`, `run_values`, `read_recording`,
`read_take`, `read_edit`, `read_item`, `item_values`, `strings_to_text`, `strings_from_text`.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from toneapp.errors import InputError, LibraryError
from toneapp.keyboard import HIGHEST_MIDI, LOWEST_MIDI, Compass
from toneapp.library.migrations import INSTRUMENT_TEXTS, RUN_TEXTS, fold_text
from toneapp.library.rows import (
    EditAction,
    Instrument,
    InstrumentKind,
    ItemState,
    Purpose,
    Recording,
    Run,
    StrikeEdit,
    StringCount,
    Take,
    WorksheetItem,
)

__all__ = [
    "check_midi",
    "checked",
    "instrument_values",
    "item_values",
    "read_edit",
    "read_instrument",
    "read_item",
    "read_recording",
    "read_run",
    "read_take",
    "run_values",
    "strings_from_text",
    "strings_to_text",
]

A4_RANGE_HZ = (380.0, 500.0)
CALIBRATION_RANGE_DB = (40.0, 194.0)
LONGEST_TEXT = 100_000
"""Signs in one text; more is a slip of the clipboard."""

_Row = TypeVar("_Row")


def checked(read: Callable[[], _Row], table: str) -> _Row:
    """Carry out `read`; what it stumbles over is damage of the library.

    Raises
    ------
    LibraryError
        If a value of the row cannot be.
    """
    try:
        return read()
    except (ValueError, TypeError, KeyError, InputError) as exc:
        raise LibraryError(
            f"a row of {table} in the library is damaged ({exc}); go on with a copy or an archive "
            "made before"
        ) from exc


def check_midi(midi: int | None, what: str) -> None:
    """Refuse a note that no keyboard has.

    Raises
    ------
    InputError
        With `what` in its sentence.
    """
    if midi is not None and not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
        raise InputError(f"{what}: {midi} is not a key from C0 to C9; name another note")


def read_instrument(row: sqlite3.Row) -> Instrument:
    """Instrument of a row of its table."""
    return checked(
        lambda: Instrument(
            compass=Compass(lowest_midi=row["lowest_midi"], highest_midi=row["highest_midi"]),
            kind=InstrumentKind(row["kind"]),
            strings=strings_from_text(row["strings"]),
            **{
                name: row[name]
                for name in (
                    "id", "uid", "name", "maker", "model", "serial", "year", "owner", "place",
                    "notes", "first_plain_midi", "last_damper_midi", "bass_bridge_top_midi",
                    "a4_hz", "created_at", "changed_at", "deleted_at", "version",
                )
            },
        ),
        "the instruments",
    )  # fmt: skip


def instrument_values(instrument: Instrument) -> dict[str, Any]:
    """Columns that a person decides, checked.

    Raises
    ------
    InputError
        If one of them cannot be.
    """
    if not instrument.name.strip():
        raise InputError("an instrument needs a name; give it one")
    low, high = A4_RANGE_HZ
    if not low <= instrument.a4_hz <= high:
        raise InputError(
            f"A4 at {instrument.a4_hz:g} Hz cannot be measured; give a frequency from {low:g} to "
            f"{high:g} Hz"
        )
    for what in ("first_plain_midi", "last_damper_midi", "bass_bridge_top_midi"):
        check_midi(getattr(instrument, what), what.removesuffix("_midi").replace("_", " "))
    strings = strings_to_text(instrument.strings)
    values = {name: str(getattr(instrument, name)).strip() for name in INSTRUMENT_TEXTS}
    _check_lengths(values)
    return {
        **values,
        "lowest_midi": instrument.compass.lowest_midi,
        "highest_midi": instrument.compass.highest_midi,
        "first_plain_midi": instrument.first_plain_midi,
        "last_damper_midi": instrument.last_damper_midi,
        "bass_bridge_top_midi": instrument.bass_bridge_top_midi,
        "strings": strings,
        "a4_hz": float(instrument.a4_hz),
        "search_text": fold_text(" ".join(values.values())),
    }


def strings_to_text(strings: Sequence[StringCount]) -> str:
    """Write strings per note as JSON, checked.

    Raises
    ------
    InputError
        If the notes do not run upward or a count is not from 1 to 4.
    """
    notes = [count.from_midi for count in strings]
    if notes != sorted(set(notes)):
        raise InputError("the strings per note are given from the lowest note upward; sort them")
    for count in strings:
        check_midi(count.from_midi, "strings per note")
        if not 1 <= count.strings <= 4:
            raise InputError(f"{count.strings} strings on one note cannot be; give 1 to 4")
    return json.dumps([[count.from_midi, count.strings] for count in strings])


def strings_from_text(text: str) -> tuple[StringCount, ...]:
    """Read strings per note from JSON.

    Raises
    ------
    ValueError
        If the text is not what `strings_to_text` writes.
    """
    try:
        pairs = json.loads(text)
        counts = tuple(StringCount(from_midi=int(f), strings=int(n)) for f, n in pairs)
    except (TypeError, RecursionError) as exc:
        raise ValueError(f"strings per note {text!r}") from exc
    strings_to_text(counts)
    return counts


def read_run(row: sqlite3.Row) -> Run:
    """Run of a row of its table."""
    return checked(
        lambda: Run(
            purpose=Purpose(row["purpose"]),
            **{
                name: row[name]
                for name in (
                    "id", "uid", "instrument_id", "condition", "recorded_at", "place",
                    "microphone", "distance_m", "gain_note", "calibration_db", "channel",
                    "note_order", "notes", "created_at", "changed_at", "deleted_at", "version",
                )
            },
        ),
        "the runs",
    )  # fmt: skip


def run_values(run: Run) -> dict[str, Any]:
    """Columns that a person decides, checked.

    Raises
    ------
    InputError
        If one of them cannot be.
    """
    if run.distance_m is not None and not 0.0 < run.distance_m <= 100.0:
        raise InputError(
            f"a microphone {run.distance_m:g} m away cannot be; give metres above 0, up to 100"
        )
    low, high = CALIBRATION_RANGE_DB
    if run.calibration_db is not None and not low <= run.calibration_db <= high:
        raise InputError(
            f"a full scale of {run.calibration_db:g} dB SPL cannot be; give {low:g} to {high:g}"
        )
    if run.note_order not in (None, "ascending", "descending", "free"):
        raise InputError(f"{run.note_order!r} is not an order; say ascending, descending or free")
    values = {name: str(getattr(run, name)).strip() for name in RUN_TEXTS}
    _check_lengths(values)
    return {
        **values,
        "distance_m": run.distance_m,
        "calibration_db": run.calibration_db,
        "channel": run.channel.strip() or "auto",
        "note_order": run.note_order,
        "search_text": fold_text(" ".join(values.values())),
    }


def read_recording(row: sqlite3.Row) -> Recording:
    """Recording of a row of its table."""

    def read() -> Recording:
        if row["sample_rate_hz"] <= 0 or row["frames"] < 0 or not math.isfinite(row["scale"]):
            raise ValueError("a recording without samples")
        if not _is_hash(row["sha256"]):
            raise ValueError("a recording without a file")
        return Recording(
            problems=tuple(str(text) for text in json.loads(row["problems"])),
            **{
                name: row[name]
                for name in (
                    "id", "take_id", "position", "name", "sha256", "bytes", "frames",
                    "sample_rate_hz", "channels", "scale", "origin",
                )
            },
        )  # fmt: skip

    return checked(read, "the recordings")


def read_take(row: sqlite3.Row, recordings: Sequence[Recording]) -> Take:
    """Take of a row of its table."""
    return Take(
        recordings=tuple(recordings),
        replaces=bool(row["replaces"]),
        **{
            name: row[name]
            for name in (
                "id", "uid", "run_id", "number", "kind", "note", "recorded_at", "deleted_at",
                "version",
            )
        },
    )  # fmt: skip


def read_edit(row: sqlite3.Row) -> StrikeEdit:
    """Edit of a strike from a row of its table."""
    return checked(
        lambda: StrikeEdit(
            action=EditAction(row["action"]),
            **{
                name: row[name]
                for name in (
                    "id", "take_id", "part", "onset_s", "midi", "note", "made_at", "version",
                    "exact_onset_s", "release_s",
                )
            },
        ),
        "the edits",
    )  # fmt: skip


def read_item(row: sqlite3.Row) -> WorksheetItem:
    """Item of the worksheet from a row of its table."""
    return checked(
        lambda: WorksheetItem(
            state=ItemState(row["state"]),
            **{
                name: row[name]
                for name in (
                    "id", "uid", "instrument_id", "position", "area", "finding", "action",
                    "minutes", "note", "midi", "raised_run_uid", "raised_as", "created_at",
                    "done_at", "deleted_at", "version",
                )
            },
        ),
        "the worksheets",
    )  # fmt: skip


def item_values(item: WorksheetItem) -> dict[str, Any]:
    """Columns of an item that a person decides, checked.

    Raises
    ------
    InputError
        If one of them cannot be.
    """
    if not item.area.strip():
        raise InputError("an item of the worksheet needs an area, such as Hammers; name one")
    if item.minutes is not None and not 0 <= item.minutes <= 100_000:
        raise InputError(f"{item.minutes} minutes cannot be; give a whole number from 0")
    check_midi(item.midi, "the key of the item")
    texts = {
        name: str(getattr(item, name)).strip() for name in ("area", "finding", "action", "note")
    }
    _check_lengths(texts)
    return {**texts, "state": item.state.value, "minutes": item.minutes, "midi": item.midi}


def _check_lengths(values: Mapping[str, str]) -> None:
    for name, text in values.items():
        if len(text) > LONGEST_TEXT:
            raise InputError(
                f"the text for {name} is too long; keep it under {LONGEST_TEXT} signs"
            )
        if "\x00" in text or any("\ud800" <= sign <= "\udfff" for sign in text):
            raise InputError(f"the text for {name} holds signs that cannot be kept; type it anew")


def _is_hash(text: object) -> bool:
    return isinstance(text, str) and len(text) == 64 and set(text) <= set("0123456789abcdef")
