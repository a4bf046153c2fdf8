"""Which notes leave the trend of level and of brightness, whatever the hand did?

Clipped strikes are left out where the note has others. What room and microphone add to a key is
taken off its strikes first; how well that is known widens the errors of the residuals.

Functions: `find_run_rounds`, `judge_level`, `judge_brightness`, `levels_of_notes`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.evenness.audible import AUDIBLE_BRIGHTNESS_OCT, AUDIBLE_LEVEL_DB
from toneapp.evenness.borne_out import Beside
from toneapp.evenness.brightness import EvenBrightness, even_brightness
from toneapp.evenness.levels import EvenLevels, even_levels
from toneapp.evenness.outliers import Residuals, judge_residuals
from toneapp.evenness.slopes import default_slope_oct_per_db
from toneapp.evenness.spread import core_sd
from toneapp.evenness.touch_layers import Rounds, find_rounds
from toneapp.results import Flag, StrikeResult

__all__ = [
    "JudgedBrightness",
    "JudgedLevel",
    "StrikesByNote",
    "find_run_rounds",
    "judge_brightness",
    "judge_level",
    "levels_of_notes",
]

ORDINARY_BRIGHTNESS_OCT = AUDIBLE_BRIGHTNESS_OCT
"""Spread of brightness over the notes that passes as ordinary."""

UNKNOWN_BRIGHTNESS_OCT = 2.0
"""Error of the brightness of a note without a line of its own: it then says nothing."""

StrikesByNote = Mapping[int, Sequence[StrikeResult]]
"""Strikes of each note of the compass (MIDI number, upward), in time."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedLevel:
    """Levels of the notes and, with enough notes for a trend, their residuals in dB."""

    even: EvenLevels
    residuals: Residuals | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedBrightness:
    """Brightness of the notes and, with enough notes, the residuals in octaves."""

    even: EvenBrightness
    residuals: Residuals | None
    place_se: FloatArray  # octaves, of each note of `even`


def find_run_rounds(by_note: StrikesByNote) -> Rounds | None:
    """Tell the round (soft, medium, firm ...) of each strike with a level.

    Parameters
    ----------
    by_note : mapping of int to sequence of StrikeResult

    Returns
    -------
    Rounds or None
        None when no strike has a level.
    """
    rows = _levels(by_note)
    return None if rows is None else find_rounds(*rows)


def levels_of_notes(
    by_note: StrikesByNote, rounds: Rounds | None, *, breaks: Sequence[float]
) -> EvenLevels | None:
    """Level of each note at the usual blow, in dB.

    Parameters
    ----------
    by_note : mapping of int to sequence of StrikeResult
    rounds : Rounds or None
        As `find_run_rounds` tells them.
    breaks : sequence of float
        First note (MIDI number) above each break of the construction.

    Returns
    -------
    EvenLevels or None
        None when no strike has a level.
    """
    rows = _levels(by_note)
    if rows is None or rounds is None:
        return None
    midi, _, level_db = rows
    return even_levels(midi, level_db, rounds.round, breaks=breaks)


def judge_brightness(
    by_note: StrikesByNote,
    levels: EvenLevels | None,
    *,
    breaks: Sequence[float],
    place_se_oct: Mapping[int, float | None],
) -> JudgedBrightness | None:
    """Hold the brightness of the notes, at the usual blow, against its trend.

    Parameters
    ----------
    by_note : mapping of int to sequence of StrikeResult
    levels : EvenLevels or None
        Of the same strikes.
    breaks : sequence of float
        First note (MIDI number) above each break of the construction.
    place_se_oct : mapping of int to float or None
        Standard error of what room and microphone add to each key, in octaves; None where nothing
        was taken off.

    Returns
    -------
    JudgedBrightness or None
        None when no strike has both level and brightness.
    """
    rows = [
        (
            midi,
            strike.level_db - (strike.place_db or 0.0),
            strike.brightness - (strike.place_oct or 0.0),
            strike.brightness_se or 0.0,
        )
        for midi, group in by_note.items()
        for strike in _unclipped(group)
        if strike.level_db is not None and strike.brightness is not None
    ]
    if levels is None or not rows:
        return None
    midi, level_db, brightness, se = (np.array(column) for column in zip(*rows, strict=True))
    even = even_brightness(levels, midi, level_db, brightness, se, breaks=breaks)
    repeated = bool(np.median(even.strikes) > 1)
    place_se = _of_notes(place_se_oct, even.midi)
    residuals = judge_residuals(
        even.midi,
        even.brightness,
        even.se,
        even.df,
        audible=AUDIBLE_BRIGHTNESS_OCT,
        # One blow per note: the spread over the notes may all be the hand's.
        ordinary_limit=ORDINARY_BRIGHTNESS_OCT if repeated else math.inf,
        breaks=breaks,
        by_hand=even.by_hand,
        place_se=place_se,
    )
    return JudgedBrightness(even=even, residuals=residuals, place_se=place_se)


def judge_level(
    levels: EvenLevels | None,
    brightness: JudgedBrightness | None,
    *,
    breaks: Sequence[float],
    place_se_db: Mapping[int, float | None],
) -> JudgedLevel | None:
    """Hold the levels of the notes against their trend.

    Parameters
    ----------
    levels : EvenLevels or None
    brightness : JudgedBrightness or None
        Of the same notes; it bears out, or not, that a single blow was soft or firm.
    breaks : sequence of float
        First note (MIDI number) above each break of the construction.
    place_se_db : mapping of int to float or None
        Standard error of what room and microphone add to each key, in dB; None where nothing was
        taken off.

    Returns
    -------
    JudgedLevel or None
        None without levels.
    """
    if levels is None:
        return None
    residuals = judge_residuals(
        levels.midi,
        levels.level_db,
        levels.se_db,
        levels.df,
        audible=AUDIBLE_LEVEL_DB,
        ordinary_limit=math.inf,
        breaks=breaks,
        by_hand=_level_by_hand(levels, brightness),
        place_se=_of_notes(place_se_db, levels.midi),
        companion=_brightness_of_notes(levels, brightness),
        beside=_tone_at_level(levels, brightness),
    )
    return JudgedLevel(even=levels, residuals=residuals)


def _unclipped(group: Sequence[StrikeResult]) -> Sequence[StrikeResult]:
    """Strikes fit for level and brightness: the clipped ones only where there are no others."""
    return [strike for strike in group if Flag.CLIPPED not in strike.flags] or group


def _levels(by_note: StrikesByNote) -> tuple[IntArray, FloatArray, FloatArray] | None:
    """Note, onset and level of each strike with a level; None without any."""
    rows = [
        (midi, strike.onset_s, strike.level_db - (strike.place_db or 0.0))
        for midi, group in by_note.items()
        for strike in _unclipped(group)
        if strike.level_db is not None
    ]
    if not rows:
        return None
    midi, onset_s, level_db = (np.array(column) for column in zip(*rows, strict=True))
    return midi, onset_s.astype(np.float64), level_db.astype(np.float64)


def _of_notes(values: Mapping[int, float | None], midi: FloatArray) -> FloatArray:
    """Values of some notes, 0 where they are not known."""
    return np.array([values[key] or 0.0 for key in midi.astype(int).tolist()])


def _brightness_of_notes(
    levels: EvenLevels, brightness: JudgedBrightness | None
) -> FloatArray | None:
    """Residuals of brightness beside the levels, where several blows tell them from the hand's.

    A harder hammer is a little louder, and so is a firmer hand, which is brighter as well: a note
    is loud by itself only as far as its brightness does not account for it.
    """
    if brightness is None or brightness.residuals is None or np.median(levels.strikes) <= 1:
        return None
    beside = np.zeros(levels.midi.size)
    at = np.searchsorted(levels.midi, brightness.even.midi)
    beside[at] = np.where(levels.strikes[at] > 1, brightness.residuals.residual, 0.0)
    return beside


def _tone_at_level(levels: EvenLevels, brightness: JudgedBrightness | None) -> Beside | None:
    """Brightness of the notes at one level, where several blows tell the line of each.

    A note that is louder by itself needs a softer blow for that level, and is duller at it.
    """
    if brightness is None or brightness.residuals is None or np.median(levels.strikes) <= 1:
        return None
    even = brightness.even
    at = np.searchsorted(levels.midi, even.midi)
    has_line = levels.strikes[at] > 1
    se = np.full(levels.midi.size, UNKNOWN_BRIGHTNESS_OCT)
    se[at] = np.where(has_line, np.hypot(even.at_trend_se, brightness.place_se), se[at])
    return Beside(
        value=np.interp(levels.midi, even.midi, even.at_trend),
        se=se,
        per_unit=-np.interp(levels.midi, even.midi, even.slopes.slope),
    )


def _level_by_hand(levels: EvenLevels, brightness: JudgedBrightness | None) -> FloatArray:
    """Level of each note less what the hand may have done to a single blow.

    A soft blow is dull, a firm one bright: what the brightness does not bear out, within twice
    the scatter of the notes, was not the hand. Without a brightness the hand may have done it all.
    """
    if levels.trend is None:
        return levels.level_db
    deviation = levels.level_db - levels.trend.left_out
    by_hand = np.where(levels.strikes > 1, levels.level_db, levels.trend.left_out)
    if brightness is None or brightness.residuals is None:
        return by_hand
    even, residuals = brightness.even, brightness.residuals
    at = np.searchsorted(levels.midi, even.midi)
    sign = np.sign(deviation[at])
    # As struck, before the correction along the slope.
    struck = residuals.residual + even.slopes.slope * (
        levels.level_db[at] - even.reference_level_db
    )
    doubt = 2.0 * (core_sd(residuals.residual) or 0.0)
    slope = np.maximum(even.slopes.slope, default_slope_oct_per_db(even.midi))
    borne_out = np.clip(sign * struck + doubt, 0.0, None) / slope
    hand = sign * np.minimum(borne_out, np.abs(deviation[at]))
    single = levels.strikes[at] == 1
    by_hand[at] = np.where(single, levels.level_db[at] - hand, by_hand[at])
    return by_hand
