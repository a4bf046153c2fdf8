"""How are the blows on each note brought together, and how far do they scatter?

Conventions: `note` is the index of each strike's note, arrays named `strikes`, `variance` and `df`
have one value per note, all notes have at least one strike.

Functions: `within_notes`, `moderate`, `huber_weights`, `robust_means`.
"""

from __future__ import annotations

import math

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.evenness.spread import Moderated, moderate_variances

__all__ = ["huber_weights", "moderate", "robust_means", "within_notes"]

FEW_REPEATS_DF = 12.0
"""With fewer degrees of freedom from repeated blows the default scatter is mixed in."""

MIXED_IN_DF = 4.0
"""Weight of the default scatter then, in degrees of freedom."""

_HUBER = 2.5  # standard deviations up to which a blow has its full weight


def within_notes(
    note: IntArray, values: FloatArray, strikes: IntArray, weight: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Scatter of the strikes of each note.

    Parameters
    ----------
    note : ndarray of int, shape (m,)
        Index of each strike's note.
    values : ndarray, shape (m,)
        Values in any unit.
    strikes : ndarray of int, shape (n,)
        Strikes of each note, >= 1.
    weight : ndarray, shape (m,), optional
        Variance of a good strike over that of each, at most 1; without it all are good.

    Returns
    -------
    variance, df : ndarray, shape (n,)
        Sample variance of good strikes (0 for a single strike) and its degrees of freedom.
    """
    each = np.ones(note.size) if weight is None else weight
    mean = np.bincount(note, weights=each * values) / np.bincount(note, weights=each)
    squares = np.bincount(note, weights=each * (values - mean[note]) ** 2)
    df = (strikes - 1).astype(np.float64)
    return squares / np.maximum(df, 1.0), df


def moderate(variance: FloatArray, df: FloatArray, default: float, least: float) -> Moderated:
    """Moderated variances, with a default mixed in where repeats are few.

    Parameters
    ----------
    variance, df : ndarray, shape (n,)
        Sample variance of each note and its degrees of freedom.
    default, least : float
        Variance believed without repeats, and the least that is believed, same unit.

    Returns
    -------
    Moderated
        One variance per note.
    """
    total = float(df.sum())
    if total >= FEW_REPEATS_DF:
        found = moderate_variances(variance, df)
        return Moderated(
            variance=np.maximum(found.variance, least),
            df=found.df,
            prior_variance=max(found.prior_variance, least),
            prior_df=found.prior_df,
        )
    common = (float(np.sum(variance * df)) + MIXED_IN_DF * default) / (total + MIXED_IN_DF)
    return Moderated(
        variance=np.full(variance.shape, common),
        df=np.full(variance.shape, total + MIXED_IN_DF),
        prior_variance=common,
        prior_df=math.inf,
    )


def huber_weights(
    note: IntArray, values: FloatArray, sd: FloatArray, strikes: IntArray
) -> FloatArray:
    """Weights of strikes by their distance from the median of their note.

    Parameters
    ----------
    note : ndarray of int, shape (m,)
        Index of each strike's note.
    values, sd : ndarray, shape (m,)
        Values in any unit and the standard deviation expected of each.
    strikes : ndarray of int, shape (n,)
        Strikes of each note, >= 1.

    Returns
    -------
    ndarray, shape (m,)
        1 up to 2.5 standard deviations, falling with the distance beyond.

    References
    ----------
    .. [1] P. J. Huber, "Robust estimation of a location parameter", Ann. Math. Stat. 35,
       73 (1964).
    """
    order = np.lexsort((values, note))
    first = np.concatenate([[0], np.cumsum(strikes)[:-1]])
    ranked = values[order]
    median = 0.5 * (ranked[first + (strikes - 1) // 2] + ranked[first + strikes // 2])
    distance = np.abs(values - median[note])
    return np.asarray(np.minimum(1.0, _HUBER * sd / np.maximum(distance, 1e-12)))


def robust_means(
    note: IntArray,
    values: FloatArray,
    sd: FloatArray,
    strikes: IntArray,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Mean of each note in which a strike far from the note's median weighs less.

    Parameters
    ----------
    note, values, sd, strikes
        As in `huber_weights`.
    weight : ndarray, shape (m,), optional
        How much each strike is worth beforehand.

    Returns
    -------
    ndarray, shape (n,)
        One mean per note, in the unit of `values`.
    """
    each = huber_weights(note, values, sd, strikes)
    if weight is not None:
        each = each * weight
    return np.asarray(np.bincount(note, weights=each * values) / np.bincount(note, weights=each))
