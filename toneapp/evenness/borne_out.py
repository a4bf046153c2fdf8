"""Is a note loud or soft by itself, and does its tone at that level bear it out?

The hand moves level and brightness along the line of the note's own blows. A note that is louder
by itself reaches a level with a softer blow, and so is duller at that level than its neighbours:
its line lies lower. The level alone is blurred by the hand; together the two tell more. A hammer
that is dull lowers the line as well, and is told apart by the level, which it does not raise.

Conventions: ratios are residuals over their scatter on ordinary notes, one per note.

Functions: `borne_out`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray

__all__ = ["LEAST_ORDINARY", "ORDINARY_REACH", "Beside", "BorneOut", "borne_out"]

ORDINARY_REACH = 2.5
LEAST_ORDINARY = 12
"""Standard deviations within which a note passes as ordinary when it is told how two measures go
together, and the fewest such notes it is told from."""

KEPT_VARIANCE = 0.9
"""Variance of a normal distribution cut there (0.911), a little less for the second cut."""

MOST_CORRELATION = 0.6
"""A correlation of chance is held below this."""

OWN_EVIDENCE = 1.96
"""The level itself must stray so far, two-sided 5 % of one note: another measure alone is no
ground to call a note loud."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beside:
    """Another measure of the same notes, and what a note's own excess does to it."""

    value: FloatArray  # in the unit of that measure
    se: FloatArray
    per_unit: FloatArray  # its change with one unit of the first measure, the note's own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BorneOut:
    """How far both measures together speak for the note's own excess."""

    ratio: FloatArray  # over its scatter on ordinary notes, with the sign of the excess
    may_be: BoolArray  # the first measure strays itself, and the other alone explains it less well


def borne_out(
    first: FloatArray,
    scatter: FloatArray,
    other: FloatArray,
    other_scatter: FloatArray,
    per_unit: FloatArray,
) -> BorneOut:
    """Judge two measures together for an excess that moves both.

    Parameters
    ----------
    first, other : ndarray, shape (n,)
        Residuals of the two measures, each in its unit.
    scatter, other_scatter : ndarray, shape (n,)
        Standard deviation of each on an ordinary note, > 0.
    per_unit : ndarray, shape (n,)
        Change of the other measure with one unit of the excess.

    Returns
    -------
    BorneOut

    Notes
    -----
    With the covariance C of the two residuals r on ordinary notes, the excess in direction
    v = (1, per_unit) is v' C^-1 r / (v' C^-1 v), the best linear estimate, and its ratio to its
    scatter v' C^-1 r / sqrt(v' C^-1 v) (Fisher's linear discriminant). The same with v = (0, 1)
    serves as the rival explanation.

    References
    ----------
    .. [1] R. A. Fisher, "The use of multiple measurements in taxonomic problems", Ann. Eugen. 7,
       179 (1936).
    """
    a, b = first / scatter, other / other_scatter
    slope = per_unit * scatter / other_scatter
    rho = _correlation(a, b)
    # The inverse of [[1, rho], [rho, 1]], but for its common factor 1 / (1 - rho^2).
    left = 1.0 - rho**2
    along = (a - rho * b) + slope * (b - rho * a)
    weight = 1.0 - 2.0 * rho * slope + slope**2
    ratio = along / np.sqrt(weight * left)
    rival = (b - rho * a) / np.sqrt(left)
    may_be = (np.abs(a) > OWN_EVIDENCE) & (a * ratio > 0) & (np.abs(ratio) > np.abs(rival))
    return BorneOut(ratio=ratio, may_be=may_be)


def _correlation(a: FloatArray, b: FloatArray) -> float:
    """Correlation of two ratios on the ordinary notes."""
    ordinary = (np.abs(a) < ORDINARY_REACH) & (np.abs(b) < ORDINARY_REACH)
    if np.count_nonzero(ordinary) < LEAST_ORDINARY:
        return 0.0
    found = float(np.mean(a[ordinary] * b[ordinary])) / KEPT_VARIANCE
    return float(np.clip(found, -MOST_CORRELATION, MOST_CORRELATION))
