"""How does an analysed run look as JSON, and how is it read back?

The one pair of functions for it: `run_to_json` and `run_from_json`. Keys are the field names of
`toneapp.results`; a value that could not be measured is null, with its reason in `flags`. The form
is described, with units, by the JSON Schema that `run_schema` returns.

Functions: `run_to_json`, `run_from_json`, `run_schema`, `run_to_bytes`, `run_from_bytes`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields
from enum import StrEnum
from importlib import resources
from typing import Any, TypeVar, cast

from toneapp.errors import InputError
from toneapp.results import (
    RUN_FORMAT,
    Cause,
    EchoCandidate,
    EchoString,
    EchoSummary,
    Evenness,
    Flag,
    NoteResult,
    PartialResult,
    Raised,
    RingOn,
    RunResult,
    StrikeResult,
    SuspectDamper,
    UnexpectedSound,
)

__all__ = ["run_from_bytes", "run_from_json", "run_schema", "run_to_bytes", "run_to_json"]

Json = dict[str, Any]
_Result = TypeVar(
    "_Result",
    PartialResult,
    EchoCandidate,
    EchoString,
    EchoSummary,
    SuspectDamper,
    RingOn,
    StrikeResult,
    NoteResult,
    Evenness,
    UnexpectedSound,
    RunResult,
)

_SCHEMA_FILE = "run-1.schema.json"

_DECIMALS = (
    ("_s", 6),  # a microsecond is less than a tenth of a sample at 48 kHz
    ("_db", 3),
    ("_dbfs", 3),
    ("_lkfs", 3),
    ("_cents", 4),
    ("cents", 4),
    ("_oct", 5),
    ("brightness", 5),
)
"""Decimals by the ending of a name; everything else keeps a number of significant digits."""

_DIGITS_HZ = 8  # of 4 kHz the last one is 0.0001 Hz, well below any error
_DIGITS_SE = 4
_DIGITS = 6


def run_to_json(run: RunResult) -> Json:
    """Turn a run into the objects of JSON.

    Parameters
    ----------
    run : RunResult

    Returns
    -------
    dict
        Ready for `json.dumps`; numbers are rounded to what they can mean.

    Raises
    ------
    ValueError
        If a number is NaN or infinite, which a result must not hold.
    """
    return _to_json(run)


def run_from_json(data: object) -> RunResult:
    """Read a run from the objects of JSON (inverse of `run_to_json`, up to its rounding).

    Parameters
    ----------
    data : object
        As from `json.loads`. Keys that are not known are left out; keys that are missing take
        their default.

    Returns
    -------
    RunResult

    Raises
    ------
    InputError
        If the data is not a run of the known format.
    """
    found = data.get("format") if isinstance(data, Mapping) else None
    if not isinstance(data, Mapping) or found != RUN_FORMAT:
        raise InputError(
            f"this is not a measured run that can be read (format {found!r}, expected "
            f"{RUN_FORMAT!r}); measure the recording again with this version"
        )
    return _read_run(data)


def run_to_bytes(run: RunResult) -> bytes:
    """Write a run as UTF-8 JSON text, one strike or note a line, keys in a fixed order."""
    data = run_to_json(run)
    lines = ["{"]
    for key, value in data.items():
        end = "" if key == list(data)[-1] else ","
        if key in ("strikes", "notes") and value:
            rows = ",\n  ".join(_dumps(row) for row in value)
            lines.append(f" {_dumps(key)}: [\n  {rows}\n ]{end}")
        else:
            lines.append(f" {_dumps(key)}: {_dumps(value)}{end}")
    lines.append("}\n")
    # A file name that is no text (lone surrogates) must not keep the result from being written.
    return "\n".join(lines).encode("utf-8", errors="replace")


def run_from_bytes(content: bytes) -> RunResult:
    """Read a run from UTF-8 JSON text.

    Raises
    ------
    InputError
        If the text is not JSON or not a run.
    """
    try:
        data = json.loads(content)
    except (ValueError, RecursionError) as exc:
        raise InputError(f"this is not JSON text ({exc}); choose a file made by analyse") from exc
    return run_from_json(data)


def run_schema() -> Json:
    """Return the JSON Schema (draft 2020-12) of the format, with a description of every key."""
    text = resources.files("toneapp").joinpath(_SCHEMA_FILE).read_text(encoding="utf-8")
    return cast(Json, json.loads(text))


def _dumps(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _to_json(result: Any) -> Json:
    """All fields of a result; the format comes first, as a greeting to the reader."""
    names = [item.name for item in fields(result)]
    if "format" in names:
        names.insert(0, names.pop(names.index("format")))
    return {name: _value_to_json(name, getattr(result, name)) for name in names}


def _value_to_json(name: str, value: Any) -> Any:
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, str):  # also the enums
        return str(value)
    if isinstance(value, float):
        return _round(name, value)
    if name == "blow_slope_oct_per_db":
        return [
            {"midi": midi, "slope_oct_per_db": _round("slope_oct_per_db", slope)}
            for midi, slope in value
        ]
    if isinstance(value, tuple):
        return [_value_to_json(name, item) for item in value]
    return _to_json(value)


def _round(name: str, value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{name} is {value}; what cannot be measured must be None with a flag")
    if name.endswith("_se"):
        return _significant(value, _DIGITS_SE)
    if name.endswith("hz"):
        return _significant(value, _DIGITS_HZ)
    for ending, decimals in _DECIMALS:
        if name.endswith(ending):
            # Very large values have no use for decimals; this also keeps them from overflowing.
            return round(value, decimals) if abs(value) < 1e6 else _significant(value, _DIGITS)
    return _significant(value, _DIGITS)


def _significant(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


def _read_run(data: Mapping[str, Any]) -> RunResult:
    values = _plain_values(RunResult, data, "the run")
    values["strikes"] = tuple(
        _read_strike(item, f"strikes[{place}]") for place, item in _rows(data, "strikes")
    )
    values["notes"] = tuple(
        _read_note(item, f"notes[{place}]") for place, item in _rows(data, "notes")
    )
    values["unexpected"] = tuple(
        _build(UnexpectedSound, _plain_values(UnexpectedSound, item, f"unexpected[{place}]"))
        for place, item in _rows(data, "unexpected")
    )
    evenness = data.get("evenness")
    if evenness is not None:
        values["evenness"] = _read_evenness(evenness)
    ring_on = data.get("ring_on")
    if ring_on is not None:
        values["ring_on"] = _read_ring_on(ring_on)
    return _build(RunResult, values)


def _read_ring_on(data: Any) -> RingOn:
    values = _plain_values(RingOn, data, "ring_on")
    values["suspects"] = tuple(
        _build(SuspectDamper, _plain_values(SuspectDamper, item, f"ring_on.suspects[{row}]"))
        for row, item in _rows(data, "suspects")
    )
    values["echo_strings"] = tuple(
        _read_summary(item, f"ring_on.echo_strings[{row}]")
        for row, item in _rows(data, "echo_strings")
    )
    values["flags"] = _enums(Flag, data, "flags", "ring_on")
    return _build(RingOn, values)


def _read_summary(data: Any, place: str) -> EchoSummary:
    values = _plain_values(EchoSummary, data, place)
    values["cause"] = _enums(Cause, {"cause": [data.get("cause")]}, "cause", place)[0]
    return _build(EchoSummary, values)


def _read_strike(data: Any, place: str) -> StrikeResult:
    values = _plain_values(StrikeResult, data, place)
    values["partials"] = tuple(
        _build(PartialResult, _plain_values(PartialResult, item, f"{place}.partials[{row}]"))
        for row, item in _rows(data, "partials")
    )
    values["ringing"] = tuple(
        _read_echo(item, f"{place}.ringing[{row}]") for row, item in _rows(data, "ringing")
    )
    if "ring_levels_db" in values and len(values["ring_levels_db"]) != 3:
        raise InputError(f"{place}.ring_levels_db does not hold three levels")
    values["flags"] = _enums(Flag, data, "flags", place)
    return _build(StrikeResult, values)


def _read_echo(data: Any, place: str) -> EchoString:
    values = _plain_values(EchoString, data, place)
    values["alternatives"] = tuple(
        _build(EchoCandidate, _plain_values(EchoCandidate, item, f"{place}.alternatives[{row}]"))
        for row, item in _rows(data, "alternatives")
    )
    values["cause"] = _enums(Cause, {"cause": [data.get("cause")]}, "cause", place)[0]
    return _build(EchoString, values)


def _read_note(data: Any, place: str) -> NoteResult:
    values = _plain_values(NoteResult, data, place)
    values["raised"] = _enums(Raised, data, "raised", place)
    values["flags"] = _enums(Flag, data, "flags", place)
    return _build(NoteResult, values)


def _read_evenness(data: Any) -> Evenness:
    values = _plain_values(Evenness, data, "evenness")
    values["flags"] = _enums(Flag, data, "flags", "evenness")
    values["blow_slope_oct_per_db"] = tuple(
        (int(item["midi"]), float(item["slope_oct_per_db"]))
        for _, item in _rows(data, "blow_slope_oct_per_db")
        if isinstance(item, Mapping) and _is_number(item.get("slope_oct_per_db"))
        and _is_number(item.get("midi"))
    )  # fmt: skip
    return _build(Evenness, values)


def _plain_values(kind: type[Any], data: Any, place: str) -> dict[str, Any]:
    """Collect the fields that are numbers, texts, or lists of them, checked against their type.

    The annotations of the result classes are texts such as ``"float | None"``.
    """
    if not isinstance(data, Mapping):
        raise InputError(f"{place} is not an object; the file is damaged, measure the run again")
    values: dict[str, Any] = {}
    for item in fields(kind):
        if item.name not in data:
            if item.default is MISSING and item.default_factory is MISSING:
                raise InputError(f"{place} has no {item.name}; measure the run again")
            continue
        check = _PLAIN_TYPES.get(str(item.type))
        if check is None:
            continue
        value = data[item.name]
        fits, convert = check
        if not fits(value):
            raise InputError(
                f"{place}.{item.name} holds {value!r}, which does not belong there; "
                "measure the run again"
            )
        values[item.name] = convert(value)
    return values


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number of more than 300 digits
        return False


def _is_integer(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _optional_float(value: Any) -> float | None:
    return None if value is None else float(value)


_PLAIN_TYPES: dict[str, tuple[Any, Any]] = {
    "int": (_is_integer, int),
    "int | None": (lambda value: value is None or _is_integer(value), lambda value: value),
    "float": (_is_number, float),
    "float | None": (lambda value: value is None or _is_number(value), _optional_float),
    "bool": (lambda value: isinstance(value, bool), bool),
    "str": (lambda value: isinstance(value, str), str),
    "tuple[int, ...]": (
        lambda value: _is_list(value) and all(_is_integer(item) for item in value),
        tuple,
    ),
    "tuple[str, ...]": (
        lambda value: _is_list(value) and all(isinstance(item, str) for item in value),
        tuple,
    ),
    "tuple[float | None, ...]": (
        lambda value: _is_list(value) and all(item is None or _is_number(item) for item in value),
        lambda value: tuple(_optional_float(item) for item in value),
    ),
    "tuple[float | None, float | None, float | None]": (
        lambda value: _is_list(value) and all(item is None or _is_number(item) for item in value),
        lambda value: tuple(_optional_float(item) for item in value),
    ),
}
"""How a value of each plain type is checked and converted; the other types are read by name."""


def _rows(data: Mapping[str, Any], key: str) -> list[tuple[int, Any]]:
    value = data.get(key, [])
    if not _is_list(value):
        raise InputError(f"{key} is not a list; the file is damaged, measure the run again")
    return list(enumerate(value))


_Word = TypeVar("_Word", bound=StrEnum)


def _enums(kind: type[_Word], data: Mapping[str, Any], key: str, place: str) -> tuple[_Word, ...]:
    words = []
    for _, word in _rows(data, key):
        try:
            words.append(kind(word))
        except ValueError as exc:
            raise InputError(
                f"{place}.{key} holds {word!r}, which this version does not know; "
                "measure the run again"
            ) from exc
    return tuple(words)


def _build(kind: type[_Result], values: dict[str, Any]) -> _Result:
    return kind(**values)
