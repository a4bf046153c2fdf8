"""What has to be said beside a comparison?

What differs between two recordings besides the instrument, in sentences: from the sound itself
(`toneapp.evenness.setup`) and from what the person noted.

Functions: `setup_warnings`, `different_rooms`.
"""

from __future__ import annotations

from collections.abc import Sequence

from toneapp.evenness import SetupDifference, SetupKind, levels_comparable, setup_differences
from toneapp.library.rows import Run
from toneapp.results import RunResult
from toneapp.wording import quantity_text

__all__ = ["ONE_BLOW_WARNING", "different_rooms", "setup_warnings"]

ONE_BLOW_WARNING = (
    "with one blow on each key only a large change of a hammer can be told from the hand; to "
    "judge hammers, strike each key soft, medium and firm in both runs"
)

_ROOM_RATIO = 1.25  # as for two runs of one instrument


def setup_warnings(
    before: Run, before_result: RunResult, after: Run, after_result: RunResult
) -> tuple[str, ...]:
    """Say what besides the instrument may have changed between two runs.

    Returns
    -------
    tuple of str
        One sentence each; empty when nothing is known against the comparison.
    """
    warnings = [_sentence(item) for item in setup_differences(before_result, after_result)]
    for what, first, second in (
        ("place", before.place, after.place),
        ("microphone", before.microphone, after.microphone),
        ("setting of the input", before.gain_note, after.gain_note),
    ):
        if first and second and first.strip().casefold() != second.strip().casefold():
            warnings.append(
                f"the {what} differs ({first!r}, then {second!r}): level, brightness and what "
                "rings on may differ for that reason"
            )
        elif not (first and second):
            warnings.append(
                f"the {what} is not noted for both runs: whether it was unchanged is not known"
            )
    if before.distance_m and after.distance_m and before.distance_m != after.distance_m:
        warnings.append(
            f"the microphone stood {before.distance_m:g} m away, then {after.distance_m:g} m: "
            "level and brightness may differ for that reason"
        )
    if before.purpose != after.purpose:
        warnings.append(
            f"one run is for {before.purpose.value}, the other for {after.purpose.value}: held "
            "and short blows differ in decay and damping"
        )
    return tuple(warnings)


def different_rooms(runs: Sequence[tuple[Run, RunResult]]) -> tuple[str, ...]:
    """Say what has to be kept in mind when instruments are compared.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    warnings = []
    results = [result for _, result in runs]
    if not levels_comparable(results):
        warnings.append(
            "not all runs are calibrated, so loudness is not compared; unevenness of level, "
            "brightness, decay and ring-on do not depend on the gain"
        )
    for what, texts in (
        ("place", [run.place for run, _ in runs]),
        ("microphone", [run.microphone for run, _ in runs]),
    ):
        known = {text.strip().casefold() for text in texts if text.strip()}
        if len(known) > 1:
            warnings.append(
                f"the {what} differs between the runs: brightness and what rings on may differ "
                "for that reason"
            )
        elif not all(text.strip() for text in texts):
            warnings.append(f"the {what} is not noted for every run")
    rooms = [result.room_t60_s for result in results if result.room_t60_s]
    if len(rooms) > 1 and max(rooms) / min(rooms) > _ROOM_RATIO:
        warnings.append(
            f"the rooms reverberate from {min(rooms):.2f} to {max(rooms):.2f} s: sustain and "
            "what rings on may differ for that reason"
        )
    for what, values in (
        ("sampling rate", {result.sample_rate_hz for result in results}),
        ("version of the measures", {result.measures_version for result in results}),
        ("reference pitch", {result.a4_reference_hz for result in results}),
    ):
        if len(values) > 1:
            shown = ", ".join(f"{value:g}" for value in sorted(values))
            warnings.append(f"the {what} differs ({shown}); measure or record alike to be sure")
    if len({run.purpose for run, _ in runs}) > 1:
        warnings.append("the runs were recorded for different purposes: decay and damping differ")
    return tuple(warnings)


def _sentence(item: SetupDifference) -> str:
    before, after = item.before, item.after
    if item.kind is SetupKind.LEVEL:
        shift = quantity_text(item.shift_db, "dB", is_signed=True)
        return (
            f"all notes together are {shift} against before: gain, place of the microphone or the "
            "hand; single notes are judged against that shift"
        )
    if item.kind is SetupKind.PLACE:
        spread = quantity_text(item.shift_db, "dB")
        return (
            f"single notes went up and down by {spread}, more than the hand explains: the "
            "microphone or something in the room was moved, and changes of level and brightness "
            "of single notes may come from that"
        )
    if item.kind is SetupKind.CHANNEL:
        return "another channel was measured: level and brightness may differ for that reason"
    first, second = _value(item.kind, before), _value(item.kind, after)
    effects = {
        SetupKind.NOISE: "the room noise differs ({}, then {}): gain or room may have changed",
        SetupKind.ROOM: "the room reverberates differently ({}, then {}): the microphone or the "
        "room has changed",
        SetupKind.RATE: "the sampling rate differs ({}, then {}): brightness may differ for that "
        "reason",
        SetupKind.CALIBRATION: "the calibration differs ({}, then {}): levels cannot be compared",
        SetupKind.A4: "the reference pitch differs ({}, then {}): cents cannot be compared",
        SetupKind.MEASURES: "the runs were measured by different versions of the measures ({}, "
        "then {}): measure both again",
    }
    return effects[item.kind].format(first, second)


def _value(kind: SetupKind, value: float | None) -> str:
    if value is None:
        return "none"
    units = {
        SetupKind.NOISE: ("dBFS", 1),
        SetupKind.ROOM: ("s", 2),
        SetupKind.RATE: ("Hz", 0),
        SetupKind.CALIBRATION: ("dB", 1),
        SetupKind.A4: ("Hz", 1),
        SetupKind.MEASURES: ("", 0),
    }
    unit, decimals = units[kind]
    return quantity_text(value, unit, decimals=decimals)
