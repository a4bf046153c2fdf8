"""Are the rows of an archive such as a library could have written?

Every value is checked for its type and range before anything is written.

Functions and classes: `check_contents`, `Part`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from toneapp.errors import InputError
from toneapp.keyboard import HIGHEST_MIDI, LOWEST_MIDI, Compass
from toneapp.library.archive import ARCHIVE_TABLES, EXPORTED_COLUMNS
from toneapp.library.hand import check_key
from toneapp.library.reading import instrument_values, item_values, run_values, strings_from_text
from toneapp.library.rows import (
    EditAction,
    Instrument,
    InstrumentKind,
    ItemState,
    KeyMeasurement,
    Purpose,
    Run,
    WorksheetItem,
)

__all__ = ["Part", "check_contents"]

LONGEST_TEXT = 100_000
MOST_ROWS = 100_000
LONGEST_FRAMES = 24 * 3600 * 192_000
"""A day at the highest rate."""

_INTEGER_LIMIT = 2**53


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One checked row, and the rows that belong to it by table."""

    table: str
    values: dict[str, Any]
    parts: dict[str, list[Part]]


def check_contents(data: object) -> list[Part]:
    """Check all instruments of an archive.

    Parameters
    ----------
    data : object
        As from `json.loads`.

    Returns
    -------
    list of Part
        With all columns that their tables need.

    Raises
    ------
    InputError, ValueError
        If a value cannot be.
    """
    instruments = [_part("instrument", item) for item in _list(data, "instruments")]
    _check_unique(instruments)
    return instruments


def _part(table: str, data: object) -> Part:
    if not isinstance(data, Mapping):
        raise InputError(f"a row of {table} is no object")
    names = EXPORTED_COLUMNS[table] + (("sha256",) if table == "result" else ())
    missing = [name for name in names if name not in data and name not in _ADDED_LATER]
    if missing:
        raise InputError(f"a row of {table} has no {missing[0]}")
    values = {name: _value(table, name, data.get(name)) for name in names}
    values |= _CHECKS[table](values)
    parts = {
        part: [_part(part, item) for item in _list(data.get(part), part)]
        for part, owner, _, _ in ARCHIVE_TABLES
        if owner == table
    }
    if table == "take" and not parts["recording"]:
        raise InputError("a take has no recording")
    if table == "run" and [t.values["kind"] for t in parts["take"]].count("run") != 1:
        raise InputError("a run has no recording of its own")
    return Part(table=table, values=values, parts=parts)


def _list(data: object, name: str) -> list[Any]:
    if not isinstance(data, list) or len(data) > MOST_ROWS:
        raise InputError(f"{name} is not a list of rows")
    return data


_NUMBERS = frozenset(
    {
        "a4_hz", "distance_m", "calibration_db", "scale", "onset_s", "down_weight_g",
        "up_weight_g", "key_dip_mm", "exact_onset_s", "release_s",
    }
)  # fmt: skip
_INTEGERS = frozenset(
    {
        "lowest_midi", "highest_midi", "first_plain_midi", "last_damper_midi",
        "bass_bridge_top_midi", "number", "replaces", "position", "bytes", "frames",
        "sample_rate_hz", "channels", "measures_version", "midi", "minutes",
    }
)  # fmt: skip
_OPTIONAL = frozenset(
    {
        "first_plain_midi", "last_damper_midi", "bass_bridge_top_midi", "distance_m",
        "calibration_db", "note_order", "minutes", "done_at", "down_weight_g", "up_weight_g",
        "key_dip_mm", "exact_onset_s", "release_s",
    }
)  # fmt: skip
_ADDED_LATER = frozenset({"exact_onset_s", "release_s"})
"""Columns that archives of earlier versions do not have; they are empty then."""


def _value(table: str, name: str, value: object) -> Any:
    """One value of the type of its column."""
    if value is None:
        if name in _OPTIONAL or (name == "midi" and table in ("strike_edit", "worksheet_item")):
            return None
        raise InputError(f"{table}: {name} is missing")
    if name in _INTEGERS:
        if isinstance(value, bool) or not isinstance(value, int) or abs(value) > _INTEGER_LIMIT:
            raise InputError(f"{table}: {name} is no whole number")
        return value
    if name in _NUMBERS:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{table}: {name} is no number")
        if abs(value) > _INTEGER_LIMIT or not math.isfinite(value):
            raise InputError(f"{table}: {name} is no number that can be")
        return float(value)
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise InputError(f"{table}: {name} is no text")
    if "\x00" in value or any("\ud800" <= sign <= "\udfff" for sign in value):
        raise InputError(f"{table}: {name} holds signs that cannot be kept")
    if name.endswith("_at"):
        datetime.fromisoformat(value)
    if name == "uid" and not 8 <= len(value) <= 64:
        raise InputError(f"{table}: its name is not one that a library gives")
    if name == "sha256" and (len(value) != 64 or not set(value) <= set("0123456789abcdef")):
        raise InputError(f"{table}: a hash is none")
    return value


def _check_midi(values: Mapping[str, Any], *, lowest: int = LOWEST_MIDI) -> dict[str, Any]:
    midi = values["midi"]
    if midi is not None and not lowest <= midi <= HIGHEST_MIDI:
        raise InputError(f"{midi} is not a key from C0 to C9")
    return {}


def _instrument(values: dict[str, Any]) -> dict[str, Any]:
    texts = ("name", "maker", "model", "serial", "year", "owner", "place", "notes", "a4_hz",
             "first_plain_midi", "last_damper_midi", "bass_bridge_top_midi")  # fmt: skip
    return instrument_values(
        Instrument(
            kind=InstrumentKind(values["kind"]),
            compass=Compass(
                lowest_midi=values["lowest_midi"], highest_midi=values["highest_midi"]
            ),
            strings=strings_from_text(values["strings"]),
            **{name: values[name] for name in texts},
        )
    )


def _run(values: dict[str, Any]) -> dict[str, Any]:
    names = ("condition", "recorded_at", "place", "microphone", "distance_m", "gain_note",
             "calibration_db", "channel", "note_order", "notes")  # fmt: skip
    return run_values(
        Run(
            instrument_id=0,
            purpose=Purpose(values["purpose"]),
            **{name: values[name] for name in names},
        )
    )


def _take(values: dict[str, Any]) -> dict[str, Any]:
    if values["kind"] not in ("run", "notes") or values["replaces"] not in (0, 1):
        raise InputError("a take is of no kind that is known")
    return {}


def _recording(values: dict[str, Any]) -> dict[str, Any]:
    if (
        not 0 < values["frames"] <= LONGEST_FRAMES
        or not 8_000 <= values["sample_rate_hz"] <= 192_000
        or not 1 <= values["channels"] <= 8
        or not 1.0 <= values["scale"] <= 16.0
        or values["bytes"] <= 0
    ):
        raise InputError(f"the recording {values['name']!r} is described as it cannot be")
    problems = json.loads(values["problems"])
    if not isinstance(problems, list) or not all(isinstance(text, str) for text in problems):
        raise InputError("the problems of a recording are no list of texts")
    return {}


def _result(values: dict[str, Any]) -> dict[str, Any]:
    if values["measures_version"] < 0:
        raise InputError("a result is of no version that can be")
    json.loads(values["settings"])
    return {}


def _edit(values: dict[str, Any]) -> dict[str, Any]:
    action = EditAction(values["action"])
    if (action is EditAction.RELABEL) != (values["midi"] is not None) or values["onset_s"] < 0:
        raise InputError("an edit of a strike is not one that can be")
    begin_s = values["onset_s"] if values["exact_onset_s"] is None else values["exact_onset_s"]
    if begin_s < 0 or (values["release_s"] is not None and values["release_s"] <= begin_s):
        raise InputError("the bounds of a strike are none that can be")
    if action is EditAction.DISCARD and (values["exact_onset_s"], values["release_s"]) != (
        None,
        None,
    ):
        raise InputError("a strike that is left out has no bounds")
    return _check_midi(values)


def _item(values: dict[str, Any]) -> dict[str, Any]:
    names = ("area", "finding", "action", "minutes", "note", "midi")
    return item_values(
        WorksheetItem(
            instrument_id=0,
            state=ItemState(values["state"]),
            **{name: values[name] for name in names},
        )
    )


def _hand_value(values: dict[str, Any]) -> dict[str, Any]:
    check_key(KeyMeasurement(**values))
    return {}


_CHECKS: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
    "instrument": _instrument,
    "run": _run,
    "take": _take,
    "recording": _recording,
    "result": _result,
    "strike_edit": _edit,
    "worksheet_item": _item,
    "hand_set": lambda _values: {},
    "hand_value": _hand_value,
    "worklist_tick": lambda values: _check_midi(values, lowest=0),
}


def _check_unique(instruments: list[Part]) -> None:
    """Names and numbers that must be unique, so that the data base has nothing to refuse."""
    seen: set[tuple[str, str]] = set()

    def walk(part: Part) -> None:
        uid = part.values.get("uid")
        if uid is not None and (part.table, uid) in seen:
            raise InputError(f"a row of {part.table} stands there twice")
        if uid is not None:
            seen.add((part.table, uid))
        for table, keys in (
            ("take", ("number",)),
            ("recording", ("position",)),
            ("result", ("measures_version",)),
            ("hand_value", ("midi",)),
            ("worklist_tick", ("midi", "subject")),
        ):
            rows = [tuple(p.values[key] for key in keys) for p in part.parts.get(table, [])]
            if len(set(rows)) != len(rows):
                raise InputError(f"rows of {table} stand there twice")
        for parts in part.parts.values():
            for inner in parts:
                walk(inner)

    for instrument in instruments:
        walk(instrument)
