"""How loud is each note by itself, whatever dynamics the hand played?

Conventions: levels in dB, notes ascending.

Functions: `even_levels`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.evenness.blows import moderate, robust_means, within_notes
from toneapp.evenness.dynamics import find_layers
from toneapp.evenness.smoothing import Trend, fit_trend
from toneapp.evenness.spread import core_sd

__all__ = [
    "HAMMER_LEVEL_SPREAD_DB",
    "LEAST_REPEATS_DF",
    "LEAST_TOUCH_SCATTER_DB",
    "ONE_BLOW_DF",
    "EvenLevels",
    "even_levels",
]

DEFAULT_TOUCH_SCATTER_DB = 1.5
"""Spread of level between blows meant alike, of a practised hand (common practice, no source)."""

DEFAULT_SCATTER_DF = 20.0
"""How firmly the default touch scatter is believed against the scatter over the notes of a run,
in degrees of freedom."""

LEAST_REPEATS_DF = 6.0
"""Fewest degrees of freedom from which layers and slopes within notes are taken."""

ONE_BLOW_DF = 10.0
"""Degrees of freedom of a scatter that no repeat confirms; a hand now and then slips by more than
a normal distribution says."""

HAMMER_LEVEL_SPREAD_DB = 0.3
"""Least spread of level from note to note that is the instrument's own: a harder hammer is a
little louder at the same blow (common practice, no source)."""

LEAST_TOUCH_SCATTER_DB = 0.05
"""Readings agree no better than this, whatever the blows."""

_CORE_EFFICIENCY = 0.6  # degrees of freedom per note of the scatter over the notes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvenLevels:
    """Level of each note with intended dynamics taken out; arrays over notes unless said."""

    midi: FloatArray
    strikes: IntArray  # blows used
    level_db: FloatArray
    se_db: FloatArray  # from the scatter of the hand
    df: FloatArray
    touch_scatter_db: float
    scatter_is_measured: bool  # from repeated blows of this run
    trend: Trend | None
    own_spread_db: float  # spread over notes beyond the hand's
    hand_share: FloatArray  # of a note's deviation that the hand is answerable for, 0 to 1
    repeats_df: float
    layer: IntArray  # of each strike
    strike_level_db: FloatArray  # of each strike, its layer taken out


def even_levels(
    midi: IntArray,
    level_db: FloatArray,
    rank: IntArray,
    *,
    breaks: Sequence[float] = (),
) -> EvenLevels:
    """Level of each note as if all had been struck alike.

    Parameters
    ----------
    midi : ndarray of int, shape (m,)
        Note of each strike, any order.
    level_db : ndarray, shape (m,)
        Level of each strike in dB.
    rank : ndarray of int, shape (m,)
        Place of each strike among those of its note in time, from 0.
    breaks : sequence of float
        First notes of new sections.

    Returns
    -------
    EvenLevels
        Levels with the intended dynamics taken out and the error the hand leaves.

    Raises
    ------
    ValueError
        If shapes differ, values are not finite or there is no strike.

    Notes
    -----
    The error of a note is the touch scatter (moderated over notes) over the root of its blows.
    Without repeated blows the touch scatter is a mean of the default and of the scatter of the
    notes about their trend: the hand may be the whole of it.
    """
    if midi.size == 0:
        raise ValueError("no strike with a level")
    if not midi.shape == level_db.shape == rank.shape or not np.all(np.isfinite(level_db)):
        raise ValueError("midi, level and rank are vectors of one length, levels finite")
    notes, note = np.unique(midi, return_inverse=True)
    x = notes.astype(np.float64)
    layers = find_layers(note, x, level_db, rank)
    adjusted = level_db - layers.offset_db
    strikes = np.bincount(note)
    variance, df = within_notes(note, adjusted, strikes)
    repeats_df = float(df.sum())
    if layers.count > 1:
        lost = layers.within_df / max(repeats_df, 1.0)
        variance, df = variance / lost, df * lost
    moderated = moderate(variance, df, DEFAULT_TOUCH_SCATTER_DB**2, LEAST_TOUCH_SCATTER_DB**2)
    touch2, touch_df = moderated.variance, moderated.df
    common_sd = np.full(note.size, math.sqrt(moderated.prior_variance))
    level = robust_means(note, adjusted, common_sd, strikes)
    measured = repeats_df >= LEAST_REPEATS_DF
    trend = fit_trend(x, level, variance=touch2 / strikes if measured else None, breaks=breaks)
    seen = 0.0 if trend is None else core_sd(level - trend.left_out) or 0.0
    if not measured and trend is not None:
        notes_df = _CORE_EFFICIENCY * x.size
        known = repeats_df + DEFAULT_SCATTER_DF
        common = (known * float(np.median(touch2)) + notes_df * seen**2) / (known + notes_df)
        touch2 = np.full(x.size, common)
        touch_df = np.full(x.size, ONE_BLOW_DF)
    se2 = touch2 / strikes
    own2 = HAMMER_LEVEL_SPREAD_DB**2
    if trend is not None:
        own2 = max(seen**2 - float(np.median(se2 + trend.left_out_se**2)), own2)
    share = np.zeros(x.size) if trend is None else se2 / (se2 + own2)
    return EvenLevels(
        midi=x,
        strikes=strikes,
        level_db=level,
        se_db=np.sqrt(se2),
        df=touch_df,
        touch_scatter_db=math.sqrt(float(np.median(touch2))),
        scatter_is_measured=measured,
        trend=trend,
        own_spread_db=math.sqrt(own2),
        hand_share=share,
        repeats_df=repeats_df,
        layer=layers.layer,
        strike_level_db=adjusted,
    )
