"""What of a difference between two runs of one instrument is chance, and what is the hand's?

The scatter within a run does not tell all that differs between two: the hand, the place of the
keys' return, the air. Most notes of an instrument stay as they are between two runs, so their
differences show it.

With one blow on a note in each run the hand is never the same. Two single blows on one note
differ in level by what the hand did (and by the gain), and in brightness by that times the note's
slope, if nobody touched the hammer. What the note itself is louder than its neighbours is the
same in both runs and falls out of the difference; so the two runs together tell the slope, and
the scatter about it, far better than each by itself.

Conventions: differences are *after minus before*; levels in dB, brightness in octaves.

Functions: `widened`, `paired_change`, `paired_brightness`. Classes: `PairedBlows`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.evenness.compare import NoteEstimates
from toneapp.evenness.slopes import slopes_between_notes
from toneapp.evenness.spread import mad_sd

__all__ = ["PairedBlows", "paired_brightness", "paired_change", "widened"]

LEAST_NOTES = 7
"""Fewest notes from which slope and scatter are told."""

LEAST_SCATTER_OCT = 0.026 * math.sqrt(2.0)
"""Two blows agree with one line no better than this: the scatter of one blow about its line on a
real grand (see `brightness`), in the difference of two."""

MAD_EFFICIENCY = 0.37
"""A scale from the median absolute deviation is worth this share of as many normal values in a
standard deviation (Rousseeuw and Croux 1993)."""

REACH_NOTES = 15
"""Notes to each side from which the scatter at a note is told; it falls toward the treble, as the
slope does."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairedBlows:
    """Difference of each note between two single blows, the hand taken out where it can be."""

    difference: FloatArray  # shape (n,)
    se: FloatArray
    df: float  # of the errors, which the notes around tell together


def widened(before: NoteEstimates, after: NoteEstimates) -> tuple[NoteEstimates, NoteEstimates]:
    """Widen the errors of two runs to what their notes really scatter between them.

    Parameters
    ----------
    before, after : NoteEstimates
        One measure of the same instrument in two runs, in one unit.

    Returns
    -------
    before, after : NoteEstimates
        With all errors times one factor, never below 1: the robust spread of the ratios of
        difference to error about their median; with no more degrees of freedom than that factor
        has. Unchanged with fewer than seven notes in common.

    Notes
    -----
    The empirical null of [1]_: where most of many differences are chance, their core tells how
    wide chance is. A change that all notes share does not count as scatter.

    References
    ----------
    .. [1] B. Efron, "Large-scale simultaneous hypothesis testing: the choice of a null
       hypothesis", J. Am. Stat. Assoc. 99, 96 (2004).
    """
    _, first, second = np.intersect1d(before.midi, after.midi, return_indices=True)
    se = np.hypot(before.se[first], after.se[second])
    known = se > 0
    if np.count_nonzero(known) < LEAST_NOTES:
        return before, after
    ratio = (after.value[second] - before.value[first])[known] / se[known]
    factor = max(mad_sd(ratio) or 1.0, 1.0)
    df = max(MAD_EFFICIENCY * (ratio.size - 1), 2.0)  # no error is known better than its factor
    first_run, second_run = (
        replace(run, se=factor * run.se, df=np.minimum(run.df, df)) for run in (before, after)
    )
    return first_run, second_run


def paired_change(change: FloatArray, *, least_scatter: float) -> PairedBlows | None:
    """Give the difference of a measure between two single blows its error, told by all notes.

    Parameters
    ----------
    change : ndarray, shape (n,)
        The second blow's value less the first one's, notes upward.
    least_scatter : float
        Two blows agree no better than this, in the unit of the measure.

    Returns
    -------
    PairedBlows or None
        Differences as they are; None with fewer than seven notes.
    """
    if change.size < LEAST_NOTES:
        return None
    around = change - float(np.median(change))
    return PairedBlows(
        difference=change, se=_local_scatter(around, least_scatter), df=_scatter_df(change.size)
    )


def paired_brightness(
    midi: FloatArray,
    level_change_db: FloatArray,
    brightness_change_oct: FloatArray,
    *,
    is_gain_alike: bool,
) -> PairedBlows | None:
    """Take the hand out of the difference of two single blows on each note.

    Parameters
    ----------
    midi : ndarray, shape (n,)
        Note numbers, upward.
    level_change_db, brightness_change_oct : ndarray, shape (n,)
        Level and brightness of the second blow less those of the first.
    is_gain_alike : bool
        Whether a common change of all levels is the hand's. Otherwise it may be the gain's, and
        the two runs are taken to be played equally hard on the whole.

    Returns
    -------
    PairedBlows or None
        Differences at equal blow; None with fewer than seven notes.

    Raises
    ------
    ValueError
        If the shapes differ.

    Notes
    -----
    The slope is that of `slopes_between_notes`, fitted about the medians, so that work on all
    hammers does not bend it. The error is the scatter about the line, local in the keyboard, from
    the median absolute deviation, widened by what is not known of the slope; changed hammers
    must not be more than about half.

    References
    ----------
    .. [1] P. J. Rousseeuw, C. Croux, "Alternatives to the median absolute deviation",
       J. Am. Stat. Assoc. 88, 1273 (1993).
    """
    if not midi.shape == level_change_db.shape == brightness_change_oct.shape:
        raise ValueError("one change of level and one of brightness per note")
    if midi.size < LEAST_NOTES:
        return None
    shift_db = float(np.median(level_change_db))
    around_db = level_change_db - shift_db
    around_oct = brightness_change_oct - float(np.median(brightness_change_oct))
    slopes = slopes_between_notes(
        midi, around_db, around_oct, expected_ratio=1.0, least_scatter=LEAST_SCATTER_OCT
    )
    by_hand_db = level_change_db if is_gain_alike else around_db
    difference = brightness_change_oct - slopes.slope * by_hand_db
    left = around_oct - slopes.slope * around_db
    scatter = _local_scatter(left, LEAST_SCATTER_OCT)
    return PairedBlows(
        difference=difference,
        se=np.hypot(scatter, slopes.se * by_hand_db),
        df=_scatter_df(midi.size),
    )


def _scatter_df(notes: int) -> float:
    """Degrees of freedom of a robust scatter from the notes around."""
    return max(MAD_EFFICIENCY * (min(notes, 2 * REACH_NOTES + 1) - 1), 2.0)


def _local_scatter(left: FloatArray, least: float) -> FloatArray:
    """Scatter of the notes around each one."""
    scatter = np.empty(left.size)
    for place in range(left.size):
        around = left[max(place - REACH_NOTES, 0) : place + REACH_NOTES + 1]
        scatter[place] = max(mad_sd(around) or 0.0, least)
    return scatter
