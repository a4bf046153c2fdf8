"""By how much does a note grow brighter per decibel of blow?

The slope differs from note to note (a hard hammer changes little, a soft core changes much) about
a course that is smooth over the keyboard. It is handled as a *ratio* to the default slope, so that
smoothing over the keyboard does not bend its steep course.

Conventions: slopes in octaves of the centroid per dB of level, `midi` are note numbers.

Functions: `default_slope_oct_per_db`, `slopes_within_notes`, `slopes_between_notes`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray

__all__ = [
    "NOTE_RATIO_SD",
    "NoteSlopes",
    "default_slope_oct_per_db",
    "slopes_between_notes",
    "slopes_within_notes",
]

DEFAULT_SLOPE_MIDI = (33.0, 60.0, 93.0)
DEFAULT_SLOPE_OCT_PER_DB = (0.11, 0.075, 0.02)
"""Bass, C4 and A6: measured on five blow layers of one real grand."""

DEFAULT_SLOPE_RATIO_SD = 0.4
"""Spread of instruments about the default slope (common practice, no source)."""

LEAST_RATIO_SD = 0.05
"""Notes differ in slope by at least this share, even if a run seems to say less."""

NOTE_RATIO_SD = 0.2
"""Spread of the notes' own slopes about a smooth course, as a share: on the same grand one smooth
slope predicts a note it has not seen to 0.06 octave over some 25 dB of blow."""

_WITHIN_REACH = 8.0  # notes; standard deviation of the kernel that smooths measured slopes
_BETWEEN_REACH = 18.0  # notes; one blow per note tells far less about its slope
_PASSES = 4
_HUBER = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoteSlopes:
    """Slope of each note."""

    slope: FloatArray  # octaves per dB
    se: FloatArray
    course: FloatArray  # slope as the neighbours have it, smooth over the keyboard
    own_share: FloatArray  # 0: from the neighbours or the default, 1: from the note's own blows
    is_default: BoolArray  # the default outweighs what the run says


def default_slope_oct_per_db(midi: FloatArray) -> FloatArray:
    """Slope of brightness against level where a run does not tell it.

    Parameters
    ----------
    midi : ndarray, shape (n,)
        Note numbers.

    Returns
    -------
    ndarray, shape (n,)
        Octaves per dB; straight between three notes, constant beyond them.

    Examples
    --------
    >>> default_slope_oct_per_db(np.array([21.0, 60.0, 108.0])).tolist()
    [0.11, 0.075, 0.02]
    """
    return np.interp(midi, DEFAULT_SLOPE_MIDI, DEFAULT_SLOPE_OCT_PER_DB)


def slopes_within_notes(midi: FloatArray, slope: FloatArray, variance: FloatArray) -> NoteSlopes:
    """Slopes from several blows per note, each note steadied by its neighbours.

    Parameters
    ----------
    midi : ndarray, shape (n,)
        Note numbers.
    slope : ndarray, shape (n,)
        Least-squares slope of each note's own blows, octaves per dB.
    variance : ndarray, shape (n,)
        Its variance; infinite where a note's blows tell no slope.

    Returns
    -------
    NoteSlopes
        Posterior slopes.

    Notes
    -----
    A mixed model fitted by moments: slope = course + note. The course is a robust kernel average
    of the ratios to the default slope, to which the default itself adds one observation of
    spread `DEFAULT_SLOPE_RATIO_SD`; the notes' spread about it comes from the robust spread of
    the ratios less their own errors; each note then gets the average of its own slope and the
    course, weighted by their precisions (empirical Bayes [1]_).

    References
    ----------
    .. [1] N. M. Laird, J. H. Ware, "Random-effects models for longitudinal data",
       Biometrics 38, 963 (1982).
    """
    base = default_slope_oct_per_db(midi)
    known = np.isfinite(variance)
    ratio = np.where(known, slope, base) / base
    ratio_variance = np.where(known, variance, np.inf) / base**2
    kernel = _kernel(midi, _WITHIN_REACH)
    prior_precision = 1.0 / DEFAULT_SLOPE_RATIO_SD**2
    spread2 = LEAST_RATIO_SD**2
    robust = np.ones(midi.size)
    course = np.ones(midi.size)
    precision = np.zeros(midi.size)
    for _ in range(_PASSES):
        precision = np.where(known, robust / (spread2 + ratio_variance), 0.0)
        total = kernel @ precision + prior_precision
        course = (kernel @ (precision * ratio) + prior_precision) / total
        miss = np.where(known, ratio - course, 0.0)
        if np.count_nonzero(known) >= 4:
            seen = 1.4826 * float(np.median(np.abs(miss[known])))
            spread2 = max(seen**2 - float(np.median(ratio_variance[known])), LEAST_RATIO_SD**2)
        limit = _HUBER * np.sqrt(spread2 + np.where(known, ratio_variance, 0.0))
        robust = np.minimum(1.0, limit / np.maximum(np.abs(miss), 1e-12))
    heard = kernel @ precision
    course_variance = 1.0 / (heard + prior_precision)
    own_share = np.where(known, spread2 / (spread2 + ratio_variance), 0.0)
    posterior = course + own_share * (ratio - course)
    posterior_variance = (1.0 - own_share) * spread2 + (1.0 - own_share) ** 2 * course_variance
    return NoteSlopes(
        slope=posterior * base,
        se=np.sqrt(posterior_variance) * base,
        course=course * base,
        own_share=own_share,
        is_default=(own_share < 0.5) & (heard < prior_precision),
    )


def slopes_between_notes(
    midi: FloatArray,
    level_residual_db: FloatArray,
    brightness_residual: FloatArray,
    *,
    expected_ratio: float,
    least_scatter: float,
) -> NoteSlopes:
    """Slopes from one blow per note: do the notes struck harder stand out brighter?

    Parameters
    ----------
    midi : ndarray, shape (n,)
        Note numbers.
    level_residual_db : ndarray, shape (n,)
        Level of each note above the trend of the run, dB.
    brightness_residual : ndarray, shape (n,)
        Brightness above the trend of the run, octaves.
    expected_ratio : float
        Ratio to the default slope that is expected before looking: the share of the level's
        scatter that is due to the hand.
    least_scatter : float
        Least standard deviation of brightness about the line, octaves.

    Returns
    -------
    NoteSlopes
        Slopes to correct with, never negative. They are smaller than a note's own slope where
        part of the level's scatter is the instrument's and not the hand's.

    Notes
    -----
    Robust ridge regression through zero, local in note number; the ridge is the expected ratio
    with spread `DEFAULT_SLOPE_RATIO_SD`. `is_default` says where the expectation outweighs the
    data.
    """
    base = default_slope_oct_per_db(midi)
    drive = base * level_residual_db
    kernel = _kernel(midi, _BETWEEN_REACH)
    prior_precision = 1.0 / DEFAULT_SLOPE_RATIO_SD**2
    ratio = np.full(midi.size, expected_ratio)
    robust = np.ones(midi.size)
    precision = np.zeros(midi.size)
    for _ in range(_PASSES):
        miss = brightness_residual - ratio * drive
        scatter = max(1.4826 * float(np.median(np.abs(miss))), least_scatter)
        robust = np.minimum(1.0, _HUBER * scatter / np.maximum(np.abs(miss), 1e-12))
        # A wild level has leverage of its own, whatever its residual.
        reach = max(1.4826 * float(np.median(np.abs(drive))), 1e-9)
        robust = robust * np.minimum(1.0, (3.0 * reach / np.maximum(np.abs(drive), 1e-12)) ** 2)
        precision = kernel @ (robust * drive**2) / scatter**2
        pull = kernel @ (robust * drive * brightness_residual) / scatter**2
        ratio = (pull + prior_precision * expected_ratio) / (precision + prior_precision)
        ratio = np.maximum(ratio, 0.0)
    return NoteSlopes(
        slope=ratio * base,
        course=ratio * base,
        se=base * np.sqrt(1.0 / (precision + prior_precision) + (NOTE_RATIO_SD * ratio) ** 2),
        own_share=np.zeros(midi.size),
        is_default=precision < prior_precision,
    )


def _kernel(midi: FloatArray, reach: float) -> FloatArray:
    """Weights of the notes in the average at each note, 1 for the note itself."""
    return np.asarray(np.exp(-0.5 * ((midi[:, None] - midi[None, :]) / reach) ** 2))
