"""Were two runs recorded alike, or does something besides the instrument differ?

Conventions: levels in dB relative to full scale, times in seconds.

Functions: `setup_differences` (two runs of one instrument), `levels_comparable` (runs of several).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from toneapp.results import RunResult

__all__ = ["SetupDifference", "SetupKind", "levels_comparable", "setup_differences"]

NOISE_DIFFERENCE_DB = 6.0
ROOM_RATIO = 1.5
SHIFT_DIFFERENCE_DB = 1.5
"""From here on two set-ups are told apart (common practice, no source)."""

SPREAD_DIFFERENCE_DB = 1.5
SPREAD_OVER_ERROR = 1.7
"""Robust spread of the changes of single notes that neither the hand nor the work on some notes
explains: moving the microphone moves each note by some decibels (common practice, no source)."""

MIN_SHIFT_NOTES = 7
"""Fewest notes in common from which a shift of all levels is told."""


class SetupKind(StrEnum):
    """What differs between two recordings besides the instrument."""

    NOISE = "noise"  # the room noise
    ROOM = "room"  # the reverberation of the room
    PLACE = "place"  # levels of single notes up and down: the microphone stood elsewhere
    LEVEL = "level"  # the level of the notes in common: gain, place or blow
    CHANNEL = "channel"  # another channel of the microphone
    RATE = "rate"  # another sampling rate
    CALIBRATION = "calibration"  # one run is calibrated and the other not, or differently
    A4 = "a4"  # cents against another reference
    MEASURES = "measures"  # analysed by another version of the measures


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupDifference:
    """One difference of the set-up, with both values where they are numbers."""

    kind: SetupKind
    before: float | None = None  # dB (noise, calibration), s (room) or Hz (rate, A4)
    after: float | None = None
    shift_db: float | None = None  # of the levels of the notes in common, or their spread


def setup_differences(before: RunResult, after: RunResult) -> tuple[SetupDifference, ...]:
    """What differs between two recordings besides the instrument.

    Parameters
    ----------
    before, after : RunResult
        Two runs of one instrument.

    Returns
    -------
    tuple of SetupDifference
        Empty when the runs may be compared without reserve. What one of the runs does not tell
        is not compared.
    """
    found: list[SetupDifference] = []

    def note(kind: SetupKind, first: float | None, second: float | None) -> None:
        found.append(SetupDifference(kind=kind, before=first, after=second))

    noise = (before.noise_dbfs, after.noise_dbfs)
    if (
        noise[0] is not None
        and noise[1] is not None
        and abs(noise[1] - noise[0]) > NOISE_DIFFERENCE_DB
    ):
        note(SetupKind.NOISE, *noise)
    room = (before.room_t60_s, after.room_t60_s)
    if room[0] and room[1] and max(room[0] / room[1], room[1] / room[0]) > ROOM_RATIO:
        note(SetupKind.ROOM, *room)
    shift_db = _level_shift_db(before, after)
    if shift_db is not None and abs(shift_db) > SHIFT_DIFFERENCE_DB:
        found.append(SetupDifference(kind=SetupKind.LEVEL, shift_db=shift_db))
    spread_db = _level_spread_db(before, after)
    if spread_db is not None:
        found.append(SetupDifference(kind=SetupKind.PLACE, shift_db=spread_db))
    if before.channel_use != after.channel_use:
        note(SetupKind.CHANNEL, None, None)
    if before.sample_rate_hz != after.sample_rate_hz:
        note(SetupKind.RATE, float(before.sample_rate_hz), float(after.sample_rate_hz))
    if before.calibration_db != after.calibration_db:
        note(SetupKind.CALIBRATION, before.calibration_db, after.calibration_db)
    if before.a4_reference_hz != after.a4_reference_hz:
        note(SetupKind.A4, before.a4_reference_hz, after.a4_reference_hz)
    if before.measures_version != after.measures_version:
        note(SetupKind.MEASURES, float(before.measures_version), float(after.measures_version))
    return tuple(found)


def levels_comparable(runs: Sequence[RunResult]) -> bool:
    """Tell whether levels of different instruments may stand side by side: all calibrated."""
    return all(run.calibration_db is not None for run in runs)


def _level_shift_db(before: RunResult, after: RunResult) -> float | None:
    """Median difference of level over the notes in common."""
    first = {note.midi: note.level_db for note in before.notes}
    shifts = [
        note.level_db - level
        for note in after.notes
        if note.level_db is not None and (level := first.get(note.midi)) is not None
    ]
    return float(np.median(shifts)) if len(shifts) >= MIN_SHIFT_NOTES else None


def _level_spread_db(before: RunResult, after: RunResult) -> float | None:
    """Robust spread of the levels' changes, when it is more than the hand explains."""
    first = {note.midi: note for note in before.notes if note.level_db is not None}
    changes, errors = [], []
    for note in after.notes:
        earlier = first.get(note.midi)
        if earlier is None or earlier.level_db is None or note.level_db is None:
            continue
        changes.append(note.level_db - earlier.level_db)
        errors.append(float(np.hypot(earlier.level_se or 0.0, note.level_se or 0.0)))
    if len(changes) < 2 * MIN_SHIFT_NOTES:
        return None
    # Half of the notes may have been worked on before the median deviation follows them.
    deviation = np.abs(np.asarray(changes) - np.median(changes))
    spread = 1.4826 * float(np.median(deviation))
    expected = max(SPREAD_DIFFERENCE_DB, SPREAD_OVER_ERROR * float(np.median(errors)))
    return spread if spread > expected else None
