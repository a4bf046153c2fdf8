"""A run goes to JSON and comes back; the schema describes all of it."""

from __future__ import annotations

import json
import math
import types
import typing
from dataclasses import fields, is_dataclass, replace
from enum import StrEnum
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp import results
from toneapp.errors import InputError, ToneappError
from toneapp.interchange import (
    run_from_bytes,
    run_from_json,
    run_schema,
    run_to_bytes,
    run_to_json,
)
from toneapp.results import (
    Cause,
    EchoCandidate,
    EchoString,
    Flag,
    NoteResult,
    PartialResult,
    Raised,
    RunResult,
    StrikeResult,
    UnexpectedSound,
)

VALIDATOR = jsonschema.Draft202012Validator(run_schema())

SPECIAL = {
    "midi": st.integers(21, 108),
    "last_damper_midi": st.integers(21, 108),
    "strikes_heard": st.integers(0, 300),
    "from_keys": st.lists(st.integers(21, 108), max_size=4).map(tuple),
    "heard_from": st.lists(st.integers(21, 108), max_size=4).map(tuple),
    "sample_rate_hz": st.sampled_from([8_000, 44_100, 48_000, 192_000]),
    "n": st.integers(1, 80),
    "partial": st.integers(1, 80),
    "strikes": st.integers(0, 9),
    "channels": st.integers(1, 64),
    "measures_version": st.integers(1, 99),
    "order": st.sampled_from(["ascending", "descending", "free"]),
    "kind": st.sampled_from(["note", "noise"]),
    "format": st.just(results.RUN_FORMAT),
    "missing": st.lists(st.integers(21, 108), max_size=4).map(tuple),
}
POSITIVE = st.floats(1e-3, 1e5)


def values_for(name: str, kind: Any) -> st.SearchStrategy[Any]:
    """Values of the right type and range for one field of a result."""
    if name in SPECIAL and not (name == "strikes" and kind is not int):
        return SPECIAL[name] if not is_optional(kind) else st.none() | SPECIAL[name]
    if is_optional(kind):
        inner = next(part for part in typing.get_args(kind) if part is not type(None))
        return st.none() | values_for(name, inner)
    if kind is float:
        # Positive everywhere: the schema bounds durations, frequencies and standard errors.
        return POSITIVE
    if kind is bool:
        return st.booleans()
    if kind is str:
        return st.text(max_size=12)
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return st.sampled_from(list(kind))
    if isinstance(kind, type) and is_dataclass(kind):
        return results_of(kind)
    if typing.get_origin(kind) is tuple:
        parts = typing.get_args(kind)
        if parts[-1] is Ellipsis:
            inner = parts[0]
            if typing.get_origin(inner) is tuple:  # (midi, slope)
                return st.lists(st.tuples(SPECIAL["midi"], POSITIVE), max_size=2).map(tuple)
            return st.lists(values_for("item", inner), max_size=2).map(tuple)
        return st.tuples(*(values_for("item", part) for part in parts))
    raise AssertionError(f"no values for {name}: {kind}")


def is_optional(kind: Any) -> bool:
    is_union = typing.get_origin(kind) in (typing.Union, types.UnionType)
    return is_union and type(None) in typing.get_args(kind)


def results_of(kind: type[Any]) -> st.SearchStrategy[Any]:
    hints = typing.get_type_hints(kind)
    return st.builds(kind, **{name: values_for(name, hint) for name, hint in hints.items()})


def example_run() -> RunResult:
    """The example of the format's description, in our classes."""
    strike = StrikeResult(
        midi=21, note="A0", onset_s=0.612, release_s=2.631, end_s=4.0, f0_hz=27.4957,
        f1_hz=27.5, B=0.00031, cents=-11.2, cents_se=0.2,
        partials=(
            PartialResult(n=1, hz=27.5, level_db=-41.0, prompt_t60_s=14.1, after_t60_s=31.0),
        ),
        prompt_t60_s=9.8, after_t60_s=22.0, sustain_20db_s=4.1, damped_t60_s=0.41,
        ring_level_db=-38.0,
        ringing=(
            EchoString(midi=93, partial=1, hz=1771.2, level_db=-52.0, t60_s=1.9,
                       cause=Cause.UNDAMPED,
                       alternatives=(EchoCandidate(midi=81, partial=2, cents_off=3.1),)),
        ),
        level_db=-18.2, brightness=2.31, centroid_hz=412.0, sharpness_acum=1.02, knock_db=-14.0,
        flags=(Flag.BEATS_UNRESOLVED,),
    )  # fmt: skip
    note = NoteResult(
        midi=21, note="A0", strikes=3, cents=-11.2, B=0.00031, level_db=-18.0,
        level_residual_db=0.4, brightness=2.30, brightness_residual=-0.05, brightness_se=0.03,
        raised=(Raised.DULL,),
    )  # fmt: skip
    return RunResult(
        sample_rate_hz=48_000, duration_s=305.2, a4_reference_hz=440.0, a4_measured_hz=439.6,
        strikes=(strike,), notes=(note,), missing=(57,),
        unexpected=(UnexpectedSound(onset_s=88.1, midi=61),), problems=("3 strikes clipped",),
    )  # fmt: skip


def test_the_schema_is_a_valid_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(run_schema())


def test_the_example_has_the_promised_keys_and_values() -> None:
    data = run_to_json(example_run())
    VALIDATOR.validate(data)
    assert next(iter(data)) == "format"
    strike, note = data["strikes"][0], data["notes"][0]
    assert (data["format"], data["a4_measured_hz"]) == ("toneapp-run/1", 439.6)
    assert strike["f0_hz"] == 27.4957
    assert strike["beat_hz"] is None
    assert strike["partials"][0]["level_db"] == -41.0
    assert strike["ringing"][0]["cause"] == "undamped"
    assert strike["flags"] == ["beats_unresolved"]
    assert note["raised"] == ["dull"]
    assert data["evenness"].keys() >= {"level_db", "brightness_oct"}
    assert data["unexpected"] == [{"onset_s": 88.1, "midi": 61, "kind": "note"}]
    assert run_from_json(data) == example_run()


def test_the_schema_describes_every_field_with_its_unit() -> None:
    schema = run_schema()
    parts = {
        RunResult: schema,
        StrikeResult: schema["$defs"]["strike"],
        NoteResult: schema["$defs"]["note"],
        PartialResult: schema["$defs"]["partial"],
        EchoString: schema["$defs"]["echo_string"],
        EchoCandidate: schema["$defs"]["echo_candidate"],
        results.Evenness: schema["$defs"]["evenness"],
        results.RingOn: schema["$defs"]["ring_on"],
        results.EchoSummary: schema["$defs"]["echo_summary"],
        results.SuspectDamper: schema["$defs"]["suspect_damper"],
        UnexpectedSound: schema["$defs"]["unexpected"],
    }
    units = {
        "hz": "Hz", "s": "seconds", "db": "dB", "dbfs": "dBFS", "cents": "cents",
        "lkfs": "LKFS", "sone": "sone", "acum": "acum", "oct": "octave",
    }  # fmt: skip
    for kind, part in parts.items():
        assert set(part["properties"]) == {item.name for item in fields(kind)}
        assert set(part["required"]) <= set(part["properties"])
        for name, entry in part["properties"].items():
            if "$ref" in entry:
                continue
            assert len(entry["description"]) > 10
            unit = units.get(name.removesuffix("_se").rpartition("_")[2])
            if unit is not None:
                assert unit.lower() in entry["description"].lower(), name
            if "number" in entry.get("type", ()) or "integer" in entry.get("type", ()):
                said = ("Hz", "second", "dB", "cents", "octave", "without unit", "LKFS", "sone",
                        "acum")  # fmt: skip
                assert any(word in entry["description"] for word in said), name


def test_the_schema_knows_every_word() -> None:
    definitions = run_schema()["$defs"]
    assert [flag["const"] for flag in definitions["flag"]["oneOf"]] == list(Flag)
    assert definitions["echo_string"]["properties"]["cause"]["enum"] == list(Cause)
    assert definitions["note"]["properties"]["raised"]["items"]["enum"] == list(Raised)


@given(results_of(RunResult))
def test_any_run_fits_the_schema_and_comes_back(run: RunResult) -> None:
    data = run_to_json(run)
    VALIDATOR.validate(data)
    back = run_from_json(json.loads(json.dumps(data, allow_nan=False)))
    assert run_to_json(back) == data  # rounding happens once
    assert run_from_bytes(run_to_bytes(run)) == back
    assert (back.problems, back.missing, back.source) == (run.problems, run.missing, run.source)
    for ours, theirs in zip(run.strikes, back.strikes, strict=True):
        assert theirs.flags == ours.flags
        assert [echo.cause for echo in theirs.ringing] == [echo.cause for echo in ours.ringing]
        for item in fields(StrikeResult):
            value, read = getattr(ours, item.name), getattr(theirs, item.name)
            if isinstance(value, float):
                # Half a step of the fourth digit (standard errors) or of the third decimal (dB).
                assert math.isclose(value, read, rel_tol=5e-4, abs_tol=5.001e-4), item.name
            elif value is None:
                assert read is None


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_our_own_fault(value: float) -> None:
    run = RunResult(sample_rate_hz=48_000, duration_s=value, a4_reference_hz=440.0)
    with pytest.raises(ValueError, match="duration_s"):
        run_to_json(run)


def test_numbers_have_at_most_ten_digits() -> None:
    run = replace(example_run(), duration_s=1234.56789012345, a4_measured_hz=439.123456789123)
    for number in (run_to_json(run)["duration_s"], run_to_json(run)["a4_measured_hz"]):
        assert len(repr(number).replace(".", "")) <= 10


def test_unknown_keys_are_left_out_and_missing_ones_take_their_default() -> None:
    data = run_to_json(example_run())
    data["colour"] = "blue"
    data["strikes"][0]["mood"] = 3
    del data["evenness"], data["order"], data["notes"]
    assert run_from_json(data) == replace(example_run(), notes=())


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("format",), "toneapp-run/2", "format 'toneapp-run/2'"),
        (("sample_rate_hz",), "48000", "sample_rate_hz"),
        (("duration_s",), None, "duration_s"),
        (("a4_reference_hz",), 10**400, "a4_reference_hz"),
        (("strikes",), 5, "strikes is not a list"),
        (("strikes", 0), 5, r"strikes\[0\] is not an object"),
        (("strikes", 0, "onset_s"), True, "onset_s"),
        (("strikes", 0, "flags"), ["odd"], "odd"),
        (("strikes", 0, "ring_levels_db"), [1.0], "three levels"),
        (("strikes", 0, "ringing", 0, "cause"), "wind", "wind"),
        (("notes", 0, "raised"), [3], "3"),
        (("missing",), ["A0"], "missing"),
    ],
)
def test_what_is_no_run_is_said_in_one_line(path: tuple[Any, ...], value: Any, said: str) -> None:
    data = run_to_json(example_run())
    place: Any = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(InputError, match=said) as caught:
        run_from_json(data)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"[]", b"{", b"\xff\xfe", b"null", b"[" * 100_000])
def test_what_is_no_json_is_said(content: bytes) -> None:
    with pytest.raises(InputError):
        run_from_bytes(content)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(st.data())
def test_any_json_gives_a_run_or_one_line(data: st.DataObject) -> None:
    run = run_to_json(example_run())
    part: dict[str, Any] = data.draw(
        st.sampled_from(
            [
                run,
                run["strikes"][0],
                run["notes"][0],
                run["evenness"],
                run["strikes"][0]["ringing"][0],
            ]
        )
    )
    part[data.draw(st.sampled_from(sorted(part)))] = data.draw(json_values)
    try:
        outcome = run_from_json(run)
    except ToneappError as error:
        outcome = str(error)
    assert isinstance(outcome, RunResult | str)
