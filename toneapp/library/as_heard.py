"""What did a key sound like with room and microphone in it?

The values of a note have taken off what the place adds. Between two runs with the microphone in
one place that drops out by itself, and with it the error of having to estimate it twice: there
the values as they were heard tell more.

Functions: `heard_level_db`, `heard_level_se`, `heard_brightness`, `heard_brightness_se`.
"""

from __future__ import annotations

import math

from toneapp.results import NoteResult

__all__ = ["heard_brightness", "heard_brightness_se", "heard_level_db", "heard_level_se"]


def heard_level_db(note: NoteResult) -> float | None:
    """Level in dB, the place included."""
    return None if note.level_db is None else note.level_db + (note.level_place_db or 0.0)


def heard_level_se(note: NoteResult) -> float | None:
    """Its standard error in dB, without that of the place."""
    return _without(note.level_se, note.level_place_se)


def heard_brightness(note: NoteResult) -> float | None:
    """Brightness in octaves, the place included."""
    if note.brightness is None:
        return None
    return note.brightness + (note.brightness_place_oct or 0.0)


def heard_brightness_se(note: NoteResult) -> float | None:
    """Its standard error in octaves, without that of the place."""
    return _without(note.brightness_se, note.brightness_place_se)


def _without(whole: float | None, part: float | None) -> float | None:
    """Take an independent part out of a standard error."""
    if whole is None:
        return None
    return math.sqrt(max(whole**2 - (part or 0.0) ** 2, 0.0))
