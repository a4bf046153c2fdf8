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
from toneapp.evenness.borne_out import LEAST_ORDINARY, ORDINARY_REACH, Beside, borne_out
from toneapp.evenness.discovery import FALSE_DISCOVERY_RATE, adjust_p_values, t_p_values
from toneapp.evenness.smoothing import Trend, fit_trend
from toneapp.evenness.spread import CORE_REACH, CORE_SHRINKS, core_sd, sd_without_scatter

__all__ = ["Residuals", "judge_residuals"]

_CORE_EFFICIENCY = 0.6
"""Degrees of freedom per note of the ordinary spread: the core less what the strays cost."""

COMPANION_KEYS = 15.0
"""Reach over the keys within which another measure accounts for a residual alike."""

TRIED_SPREADS = 81
"""Values tried for the ordinary spread, up to twice the root mean square of the residuals."""

GROUP_NOTES = 24
"""Fewest notes among which strays may be taken for a group of their own."""


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
    companion: FloatArray | None = None,
    beside: Beside | None = None,
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
    companion : ndarray, shape (n,), optional
        Residuals of another measure that accounts for part of these.
    beside : Beside, optional
        Another measure that a note's own excess moves as well: a note is also raised for what the
        two say together (`borne_out`).

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
    tested = residual
    if companion is not None:
        tested = residual - _accounted_for(x, residual, residual_se, companion)
    ordinary_spread = _ordinary_spread(tested, residual_se)
    smooth2 = place2 + trend.left_out_se**2 + min(ordinary_spread, ordinary_limit) ** 2
    total2 = se**2 + smooth2
    notes_df = max(_CORE_EFFICIENCY * x.size, 2.0)
    # Where nothing is uncertain about the errors themselves, the quotient is without bound.
    total_df = total2**2 / np.maximum(se**4 / df + smooth2**2 / notes_df, 1e-9 * total2**2)
    if by_hand is not None:
        other = tested + (by_hand - value)
        nearer = np.where(np.abs(other) < np.abs(tested), other, tested)
        tested = np.where(other * tested > 0, nearer, 0.0)
    p_adjusted = adjust_p_values(t_p_values(tested / np.sqrt(total2), total_df))
    if beside is not None:
        together = _together_p(x, tested, np.sqrt(total2), total_df, beside, breaks)
        p_adjusted = np.minimum(p_adjusted, together)
    return Residuals(
        trend=trend,
        residual=residual,
        se=residual_se,
        ordinary_spread=ordinary_spread,
        own_spread=sd_without_scatter(residual, residual_se) or 0.0,
        p_adjusted=p_adjusted,
        is_raised=(p_adjusted <= FALSE_DISCOVERY_RATE) & _is_heard(residual, tested, audible),
    )


def _together_p(
    x: FloatArray,
    tested: FloatArray,
    scatter: FloatArray,
    df: FloatArray,
    beside: Beside,
    breaks: Sequence[float],
) -> FloatArray:
    """Adjusted p-values of both measures together; 1 where they do not speak for the note."""
    trend = fit_trend(x, beside.value, variance=beside.se**2, breaks=breaks)
    if trend is None or not np.all(scatter > 0):
        return np.ones(x.size)
    other = beside.value - trend.left_out
    other_se = np.hypot(beside.se, trend.left_out_se)
    # Faults of both kinds stray here, more than form a group among the levels alone.
    other_scatter = np.hypot(other_se, _core_spread(other, other_se))
    if not np.all(other_scatter > 0):
        return np.ones(x.size)
    found = borne_out(tested, scatter, other, other_scatter, beside.per_unit)
    return np.where(found.may_be, adjust_p_values(t_p_values(found.ratio, df)), 1.0)


def _is_heard(residual: FloatArray, tested: FloatArray, audible: float) -> BoolArray:
    """Beyond the just-noticeable size, as it is and as it is tested, in the same direction."""
    size = np.minimum(np.abs(residual), np.abs(tested))
    return np.asarray((size > audible) & (residual * tested > 0))


def _accounted_for(
    x: FloatArray, residual: FloatArray, se: FloatArray, companion: FloatArray
) -> FloatArray:
    """Part of the residuals that goes with the companion on the ordinary notes around.

    Least squares through zero, local in note number, the strays of either measure left out of
    account; where little is to be learned nearby, the slope of the whole keyboard serves.
    """
    scale = core_sd(companion) or 0.0
    if scale == 0.0:
        return np.zeros(x.size)
    spread = np.hypot(se, _ordinary_spread(residual, se))
    ordinary = (np.abs(companion) < ORDINARY_REACH * scale) & (companion != 0.0)
    ordinary &= np.abs(residual) < ORDINARY_REACH * spread
    if np.count_nonzero(ordinary) < LEAST_ORDINARY:
        return np.zeros(x.size)
    product = np.where(ordinary, companion * residual, 0.0)
    square = np.where(ordinary, companion**2, 0.0)
    near = np.exp(-0.5 * ((x[:, None] - x[None, :]) / COMPANION_KEYS) ** 2)
    ballast = LEAST_ORDINARY / np.count_nonzero(ordinary)  # as of so many notes of the whole
    slope = (near @ product + ballast * product.sum()) / (near @ square + ballast * square.sum())
    # Loud goes with bright; the other way round is chance.
    return np.asarray(np.maximum(slope, 0.0) * companion)


def _ordinary_spread(residual: FloatArray, se: FloatArray) -> float:
    """Spread that, added to the errors, makes the ordinary residuals scatter as they should.

    The errors differ over the keyboard (a steep slope makes the bass uncertain), so the notes
    known well have to speak for themselves.
    """
    core = _core_spread(residual, se)
    if residual.size < GROUP_NOTES or core == 0.0:
        return core
    # Strays that form a group of their own may make a second, smaller answer: the largest counts.
    size = float(np.sqrt(np.mean(residual**2)))
    for step in range(TRIED_SPREADS):
        spread = 2.0 * size * (1.0 - step / (TRIED_SPREADS - 1))
        if spread <= core or _is_too_wide(residual / np.hypot(se, spread)):
            return max(core, spread)
    return core


def _core_spread(residual: FloatArray, se: FloatArray) -> float:
    """Spread that, added to the errors, lets all but strays scatter as they should."""
    low, high = 0.0, core_sd(residual) or 0.0
    if high == 0.0:
        return 0.0
    least = 1e-9 * high
    for _ in range(12):
        middle = 0.5 * (low + high)
        if (core_sd(residual / np.maximum(np.hypot(se, middle), least)) or 0.0) > 1.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _is_too_wide(ratio: FloatArray) -> bool:
    """Whether the ratios within three scatter more than a normal distribution cut there.

    Where the scale is in question, the cut has to stand at three of the scale that is tried: a
    scale found from the ratios themselves would let a few strays in, which widen it.
    """
    kept = ratio[np.abs(ratio) <= CORE_REACH]
    return bool(kept.size < 0.5 * ratio.size or np.mean(kept**2) > CORE_SHRINKS**2)
