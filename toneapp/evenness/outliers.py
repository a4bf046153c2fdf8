"""Which notes leave the trend of the keyboard?

A note is raised when its residual is larger than the ear can just notice *and* larger than chance:
the scatter of the hand, the error of the trend and the ordinary unevenness of the notes together,
with the false-discovery rate over the compass held at 5 %.

Functions: `judge_residuals`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray
from toneapp.evenness.discovery import FALSE_DISCOVERY_RATE, adjust_p_values, t_p_values
from toneapp.evenness.smoothing import Trend, fit_trend
from toneapp.evenness.spread import core_sd, sd_without_scatter

__all__ = ["Residuals", "judge_residuals"]

_CORE_EFFICIENCY = 0.6
"""Degrees of freedom per note of the ordinary spread: the core less what the strays cost."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Residuals:
    """Residuals of one measure over the notes, in the unit of the measure."""

    trend: Trend
    residual: FloatArray  # from the trend as the other notes have it
    se: FloatArray  # of the residual: the note's own error and the trend's
    ordinary_spread: float  # spread over the ordinary notes, these errors taken out
    own_spread: float  # the same over all notes: the figure of the run
    p_adjusted: FloatArray  # for the false-discovery rate over the compass
    is_raised: BoolArray


def judge_residuals(
    x: FloatArray,
    value: FloatArray,
    se: FloatArray,
    df: FloatArray,
    *,
    audible: float,
    ordinary_limit: float,
    breaks: Sequence[float] = (),
    by_hand: FloatArray | None = None,
    place_se: FloatArray | None = None,
) -> Residuals | None:
    """Residuals from the trend, and the notes to raise.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Note numbers, increasing.
    value, se : ndarray, shape (n,)
        Value of each note and its standard error.
    df : ndarray, shape (n,)
        Degrees of freedom of each error.
    audible : float
        Just-noticeable size, in the unit of `value`.
    ordinary_limit : float
        Most unevenness from note to note that passes as ordinary; beyond it an uneven instrument
        gets a long list instead of a lenient one. Infinite where microphone and room put on a
        pattern of their own that must not be read as the instrument's.
    breaks : sequence of float
        First notes of new sections.
    by_hand : ndarray, shape (n,), optional
        Value of each note if all that the hand may have done to it is taken out. The note is
        then tested by the smaller of the two residuals, and by 0 if they differ in sign.
    place_se : ndarray, shape (n,), optional
        Error of what was taken off for room and microphone. The notes of the whole run tell it,
        so that it is known better than the scatter of a note's own blows.

    Returns
    -------
    Residuals or None
        None with too few notes for a trend.

    Raises
    ------
    ValueError
        As in `fit_trend`.

    Notes
    -----
    Residual over its scatter is taken as Student's t; the degrees of freedom of the sum of
    variances follow Welch and Satterthwaite.

    References
    ----------
    .. [1] F. E. Satterthwaite, "An approximate distribution of estimates of variance
       components", Biometrics Bull. 2, 110 (1946).
    """
    place2 = np.zeros(x.size) if place_se is None else place_se**2
    trend = fit_trend(x, value, variance=se**2 + place2, breaks=breaks)
    if trend is None:
        return None
    residual = value - trend.left_out
    residual_se = np.sqrt(se**2 + place2 + trend.left_out_se**2)
    ordinary_spread = _ordinary_spread(residual, residual_se)
    smooth2 = place2 + trend.left_out_se**2 + min(ordinary_spread, ordinary_limit) ** 2
    total2 = se**2 + smooth2
    notes_df = max(_CORE_EFFICIENCY * x.size, 2.0)
    # Where nothing is uncertain about the errors themselves, the quotient is without bound.
    total_df = total2**2 / np.maximum(se**4 / df + smooth2**2 / notes_df, 1e-9 * total2**2)
    tested = residual
    if by_hand is not None:
        other = residual + (by_hand - value)
        nearer = np.where(np.abs(other) < np.abs(residual), other, residual)
        tested = np.where(other * residual > 0, nearer, 0.0)
    p_adjusted = adjust_p_values(t_p_values(tested / np.sqrt(total2), total_df))
    return Residuals(
        trend=trend,
        residual=residual,
        se=residual_se,
        ordinary_spread=ordinary_spread,
        own_spread=sd_without_scatter(residual, residual_se) or 0.0,
        p_adjusted=p_adjusted,
        is_raised=(p_adjusted <= FALSE_DISCOVERY_RATE) & (np.abs(tested) > audible),
    )


def _ordinary_spread(residual: FloatArray, se: FloatArray) -> float:
    """Spread that, added to the errors, makes the ordinary residuals scatter as they should.

    The errors differ over the keyboard (a steep slope makes the bass uncertain), so the notes
    known well have to speak for themselves.
    """
    low, high = 0.0, core_sd(residual) or 0.0
    if high == 0.0 or (core_sd(residual / np.maximum(se, 1e-9 * high)) or 0.0) <= 1.0:
        return 0.0
    for _ in range(12):
        middle = 0.5 * (low + high)
        if (core_sd(residual / np.hypot(se, middle)) or 0.0) > 1.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
