"""What of a note's brightness is the hand's, and what is the hammer's?

A harder blow is louder and brighter. With several blows per note the slope of brightness against
level is measured; what the hand did is then taken out along it. With one blow per note hand and
hammer cannot be told apart from the sound alone: the correction follows the run, or the default,
and the uncertainty says so.

The model, for blow k on note i::

    level_ik      = trend(i) + layer(k) + n_i + t_ik
    brightness_ik = h_i + s_i * (level_ik - n_i) + e_ik

with n_i what the note itself is louder than its neighbours, t_ik the scatter of the hand, h_i the
hammer, s_i the slope of the note and e_ik the scatter about the line. Of the mean deviation of a
note's level only the share that the hand is answerable for (by the spread of t and n) is taken
out of its brightness.

Conventions: levels in dB, brightness in octaves above the first partial, notes ascending.

Functions: `even_brightness`. The levels come from `toneapp.evenness.levels`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.evenness.blows import huber_weights, moderate, robust_means, within_notes
from toneapp.evenness.levels import (
    HAMMER_LEVEL_SPREAD_DB,
    LEAST_REPEATS_DF,
    LEAST_TOUCH_SCATTER_DB,
    ONE_BLOW_DF,
    EvenLevels,
)
from toneapp.evenness.slopes import (
    NOTE_RATIO_SD,
    NoteSlopes,
    default_slope_oct_per_db,
    slopes_between_notes,
    slopes_within_notes,
)
from toneapp.evenness.smoothing import fit_trend
from toneapp.evenness.spread import core_sd

__all__ = ["EvenBrightness", "even_brightness"]

DEFAULT_LINE_SCATTER_OCT = 0.026
"""Scatter of brightness about its line against level: measured on five blow layers of one real
grand."""

USUAL_HAND = 3.0
FARTHEST_HAND = 5.0
"""Standard deviations of a note's level up to which the hand is answerable for its share, and
from which it is not answerable at all, when several blows agree."""

SLIP = 2.5
"""Standard deviations of a single blow's level beyond which it was a slip or the instrument."""

LEAST_LINE_SCATTER_OCT = 0.002
"""Readings agree no better than this, whatever the blows."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvenBrightness:
    """Brightness of each note at the usual blow; arrays over notes unless said."""

    midi: FloatArray
    strikes: IntArray
    brightness: FloatArray
    se: FloatArray
    df: FloatArray
    by_hand: FloatArray  # if a single blow's deviation in level were all the hand's
    slopes: NoteSlopes
    reference_level_db: FloatArray  # level of the usual blow on each note
    line_scatter_oct: float  # scatter of blows about their note's line
    strike_brightness: FloatArray  # of each strike, at its note's reference level
    at_trend: FloatArray  # at the level of the neighbours, as if the hand had done nothing
    at_trend_se: FloatArray


def even_brightness(
    levels: EvenLevels,
    midi: IntArray,
    level_db: FloatArray,
    brightness: FloatArray,
    brightness_se: FloatArray,
    *,
    breaks: Sequence[float] = (),
) -> EvenBrightness:
    """Brightness of each note at the usual blow: what belongs to the hammer.

    Parameters
    ----------
    levels : EvenLevels
        Levels of the same run.
    midi : ndarray of int, shape (m,)
        Note of each strike that has a level and a brightness; each in `levels`.
    level_db, brightness : ndarray, shape (m,)
        Level in dB and brightness in octaves of each strike.
    brightness_se : ndarray, shape (m,)
        Measuring error of each brightness, octaves; 0 where it is not known.
    breaks : sequence of float
        First notes of new sections.

    Returns
    -------
    EvenBrightness
        Corrected values, over the notes that occur in `midi`.

    Raises
    ------
    ValueError
        If shapes differ, values are not finite, or a note is not in `levels`.
    """
    if not midi.shape == level_db.shape == brightness.shape == brightness_se.shape:
        raise ValueError("one level, brightness and error per strike")
    if not np.all(np.isfinite(brightness)) or not np.all(np.isfinite(brightness_se)):
        raise ValueError("brightness and its error must be finite: leave out other strikes")
    notes, note = np.unique(midi, return_inverse=True)
    x = notes.astype(np.float64)
    if not np.all(np.isin(x, levels.midi)):
        raise ValueError("every note with a brightness needs a level")
    at = np.searchsorted(levels.midi, x)
    blows = _Blows(note, level_db, brightness, brightness_se, np.bincount(note))
    deviation = np.zeros(x.size)
    if levels.trend is not None:
        deviation = (levels.level_db - levels.trend.left_out)[at]
    if levels.repeats_df >= LEAST_REPEATS_DF and np.sum(blows.strikes - 1) >= LEAST_REPEATS_DF:
        return _from_repeats(levels, at, x, blows, deviation)
    return _from_single_blows(levels, at, x, blows, deviation, breaks)


@dataclass(frozen=True, slots=True, eq=False)
class _Blows:
    """Strikes of a run with the index of their note."""

    note: IntArray
    level: FloatArray
    brightness: FloatArray
    se: FloatArray
    strikes: IntArray

    def mean(self, values: FloatArray, weight: FloatArray | None = None) -> FloatArray:
        """Mean over the strikes of each note."""
        if weight is None:
            return np.asarray(np.bincount(self.note, weights=values) / self.strikes)
        total = np.bincount(self.note, weights=weight)
        return np.asarray(np.bincount(self.note, weights=weight * values) / total)


def _from_repeats(
    levels: EvenLevels, at: IntArray, x: FloatArray, blows: _Blows, deviation: FloatArray
) -> EvenBrightness:
    """Correct along slopes measured within notes."""
    note, strikes = blows.note, blows.strikes
    line2 = np.full(x.size, DEFAULT_LINE_SCATTER_OCT**2)
    worth, weight = np.ones(note.size), np.ones(note.size)
    for _ in range(3):
        usual2 = np.maximum(line2, DEFAULT_LINE_SCATTER_OCT**2)[note]
        worth = usual2 / np.maximum(usual2, blows.se**2)
        mean_level = blows.mean(blows.level, worth)
        around = blows.level - mean_level[note]
        own_slope, leverage = _least_squares(blows, weight * worth)
        tells = leverage > LEAST_TOUCH_SCATTER_DB**2
        slope_variance = np.where(tells, line2 / np.where(tells, leverage, 1.0), np.inf)
        slopes = slopes_within_notes(x, own_slope, slope_variance)
        at_mean = blows.brightness - slopes.slope[note] * around
        variance, df = within_notes(note, at_mean, strikes, worth)
        left = np.maximum(df - np.where(tells, slopes.own_share, 0.0), 0.0)
        variance = np.where(left > 0, variance * df / np.where(left > 0, left, 1.0), 0.0)
        moderated = moderate(
            variance, left, DEFAULT_LINE_SCATTER_OCT**2, LEAST_LINE_SCATTER_OCT**2
        )
        # The slopes lean on the common scatter: a note whose three blows happen to lie on one
        # line must not seem to know its slope.
        line2 = np.full(x.size, moderated.prior_variance)
        # A blow far off the neighbours' line must not turn the line of its note, unless the
        # note's own slope may well lead there.
        course = slopes.course[note]
        own_line = np.sqrt(
            np.maximum(line2[note], blows.se**2) + (NOTE_RATIO_SD * course * around) ** 2
        )
        weight = huber_weights(note, blows.brightness - course * around, own_line, strikes)
    share = levels.hand_share[at]
    believed, doubt = _believed_deviation(levels, at, deviation)
    hand = share * believed
    reference = levels.level_db[at] - hand
    corrected = blows.brightness - (slopes.slope[note] * (blows.level - reference[note]))
    # What noise leaves of a soft blow is worth less than a firm one.
    variances = np.maximum(moderated.variance[note], blows.se**2)
    value = robust_means(
        note, corrected, np.sqrt(np.maximum(line2[note], blows.se**2)), strikes, 1.0 / variances
    )
    value2 = 1.0 / np.bincount(note, weights=1.0 / variances)
    mean_level = blows.mean(blows.level, 1.0 / variances)
    hand2 = share * levels.own_spread_db**2 + (share * doubt) ** 2
    if levels.trend is None:
        hand2 = levels.se_db[at] ** 2
    se2 = value2 + (slopes.se * (mean_level - reference)) ** 2 + slopes.slope**2 * hand2
    trend_level = levels.level_db[at] - deviation
    at_trend2 = value2 + (slopes.se * (mean_level - trend_level)) ** 2
    return EvenBrightness(
        midi=x,
        strikes=strikes,
        brightness=value,
        se=np.sqrt(se2),
        df=np.minimum(moderated.df, levels.df[at]),
        by_hand=np.where(strikes > 1, value, value - slopes.slope * (deviation - hand)),
        slopes=slopes,
        reference_level_db=reference,
        line_scatter_oct=math.sqrt(float(np.median(value2 * strikes))),
        strike_brightness=corrected,
        at_trend=value - slopes.slope * (reference - trend_level),
        at_trend_se=np.sqrt(at_trend2),
    )


def _from_single_blows(
    levels: EvenLevels,
    at: IntArray,
    x: FloatArray,
    blows: _Blows,
    deviation: FloatArray,
    breaks: Sequence[float],
) -> EvenBrightness:
    """Correct along slopes learned between notes, or along the default."""
    note, strikes = blows.note, blows.strikes
    mean_brightness = blows.mean(blows.brightness)
    trend = fit_trend(x, mean_brightness, breaks=breaks)
    residual = np.zeros(x.size) if trend is None else mean_brightness - trend.left_out
    share = levels.hand_share[at]
    slopes = slopes_between_notes(
        x,
        deviation,
        residual,
        expected_ratio=float(np.median(share)) if trend is not None else 1.0,
        least_scatter=DEFAULT_LINE_SCATTER_OCT,
    )
    believed, doubt = _believed_deviation(levels, at, deviation)
    reference = levels.level_db[at] - believed
    corrected = blows.brightness - slopes.slope[note] * (blows.level - reference[note])
    value = blows.mean(corrected)
    own_slope = np.maximum(slopes.slope, default_slope_oct_per_db(x))
    rest = own_slope * deviation - slopes.slope * believed
    error2 = blows.mean(blows.se**2)
    line2 = np.maximum(error2, DEFAULT_LINE_SCATTER_OCT**2) / strikes
    unknown2 = _unknown_blow(levels, at, x, slopes)
    if trend is not None:
        # It cannot be more than what is seen over the notes.
        seen2 = (core_sd(residual - slopes.slope * deviation) or 0.0) ** 2
        unknown2 = unknown2 * min(1.0, seen2 / max(float(np.median(unknown2)), 1e-12))
    se2 = line2 + (slopes.se * deviation) ** 2 + unknown2 + (slopes.slope * doubt) ** 2
    return EvenBrightness(
        midi=x,
        strikes=strikes,
        brightness=value,
        se=np.sqrt(se2),
        df=np.full(x.size, ONE_BLOW_DF),
        by_hand=np.where(strikes > 1, value, value - rest),
        slopes=slopes,
        reference_level_db=reference,
        line_scatter_oct=DEFAULT_LINE_SCATTER_OCT,
        strike_brightness=corrected,
        at_trend=value - slopes.slope * (deviation - believed),
        at_trend_se=np.sqrt(line2 + (slopes.se * deviation) ** 2),
    )


def _believed_deviation(
    levels: EvenLevels, at: IntArray, deviation: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Part of a note's deviation in level that may be laid to the hand, and its doubt, in dB.

    Several blows that all stray far beyond the scatter of the hand are the instrument's; a single
    one may be a slip, so it keeps what is usual and leaves half of the rest in doubt.
    """
    usual = np.hypot(levels.se_db[at], levels.own_spread_db)
    size = np.abs(deviation)
    kept = np.clip((FARTHEST_HAND - size / usual) / (FARTHEST_HAND - USUAL_HAND), 0.0, 1.0)
    excess = np.maximum(size - SLIP * usual, 0.0)
    single = levels.strikes[at] == 1
    believed = np.where(single, np.sign(deviation) * (size - excess), kept * deviation)
    doubt = np.where(single, 0.5 * excess, np.sqrt(kept * (1.0 - kept)) * size)
    return believed, doubt


def _unknown_blow(
    levels: EvenLevels, at: IntArray, x: FloatArray, slopes: NoteSlopes
) -> FloatArray:
    """Variance of brightness from what stays unknown of a single blow."""
    usual = default_slope_oct_per_db(x)
    hand2 = levels.se_db[at] ** 2
    if levels.trend is None:
        return usual**2 * hand2
    # The ratio of the slopes tells the hand's share of the level's scatter; what stays unknown
    # is greatest when hand and instrument share evenly.
    found = np.clip(slopes.slope / usual, 0.0, 1.0)
    least = hand2 * HAMMER_LEVEL_SPREAD_DB**2 / (hand2 + HAMMER_LEVEL_SPREAD_DB**2)
    total2 = hand2 + levels.own_spread_db**2
    own_slope = np.maximum(slopes.slope, usual)
    return np.asarray(own_slope**2 * np.maximum(found * (1.0 - found) * total2, least))


def _least_squares(blows: _Blows, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope of each note's own blows and the sum of squares that bears it."""
    note = blows.note
    total = np.bincount(note, weights=weight)
    mean = np.bincount(note, weights=weight * blows.level) / total
    around = blows.level - mean[note]
    leverage = np.bincount(note, weights=weight * around**2).astype(np.float64)
    product = np.bincount(note, weights=weight * around * blows.brightness)
    return np.asarray(product / np.where(leverage > 0, leverage, 1.0)), np.asarray(leverage)
