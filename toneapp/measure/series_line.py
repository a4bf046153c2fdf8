"""Which line runs through the partials of a stiff string?

With ``y = (f_n/n)^2`` and ``x = n^2`` the law of the stiff string is the straight line
``y = f0^2 + f0^2 B x``. A belief about B, held before anything is measured, is one more
observation of the slope.

Functions and classes: `GrowingLine`, `fit_line`, `spread_of_line`.
"""

from __future__ import annotations

import bisect
import math

import numpy as np

from toneapp._typing import FloatArray

__all__ = ["GrowingLine", "fit_line", "spread_of_line"]


class GrowingLine:
    """The line of `fit_line` through partials that come one by one.

    Plain numbers rather than arrays: each further partial costs the same, and little.

    Parameters
    ----------
    prior_b, log_sd : float
        B to be expected, and the spread of its natural logarithm.
    """

    def __init__(self, *, prior_b: float, log_sd: float) -> None:
        self._prior_b, self._log_sd = prior_b, log_sd
        self._sorted_y: list[float] = []
        self._total = self._x = self._y = self._xx = self._xy = 0.0

    def __len__(self) -> int:
        return len(self._sorted_y)

    def add(self, n: int, hz: float, weight: float) -> None:
        """Take in one more partial: number, Hz, and 1 over the variance of (f_n/n)^2."""
        x, y = float(n * n), (hz / n) ** 2
        bisect.insort(self._sorted_y, y)
        self._total += weight
        share = weight / self._total
        off = x - self._x
        # Means and sums about the means (West 1979), which lose no digits.
        self._x += share * off
        self._y += share * (y - self._y)
        self._xx += weight * off * (x - self._x)
        self._xy += weight * off * (y - self._y)

    def _slope_weight(self) -> tuple[float, float]:
        """Middle value of (f_n/n)^2, and the weight of the belief about the slope."""
        ys, half = self._sorted_y, len(self._sorted_y) // 2
        scale = ys[half] if len(ys) % 2 else 0.5 * (ys[half - 1] + ys[half])
        return scale, 1.0 / (scale * self._prior_b * self._log_sd) ** 2

    def fit(self) -> tuple[float, float]:
        """f0 (Hz) and B of the line."""
        scale, belief = self._slope_weight()
        slope = (self._xy + belief * self._prior_b * scale) / (self._xx + belief)
        intercept = self._y - slope * self._x
        if intercept <= 0:
            return math.sqrt(scale), self._prior_b
        return math.sqrt(intercept), max(slope / intercept, 0.0)

    def sd_at(self, n: int) -> float:
        """Standard deviation of the line's (f_n/n)^2 at a partial, in Hz^2."""
        _scale, belief = self._slope_weight()
        apart = n * n - self._x
        return math.sqrt(1.0 / self._total + apart * apart / (self._xx + belief))


def fit_line(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, prior_b: float, log_sd: float
) -> tuple[float, float]:
    """Weighted fit of (f_n/n)^2 = f0^2 + f0^2 B n^2 with a weak prior on B.

    Parameters
    ----------
    n, hz, weight : ndarray, shape (k,)
        Partial numbers, their frequencies in Hz, and weights: 1 over the variance of (f_n/n)^2.
    prior_b, log_sd : float
        B to be expected, and the spread of its natural logarithm.

    Returns
    -------
    f0_hz, inharmonicity : float
    """
    y = (hz / n) ** 2
    x = n**2
    scale = float(np.median(y))
    # The prior counts as one observation of B, at the weight of one partial at n = 2 that is
    # known to 3 cents.
    w = weight * 1.0
    sw = w.sum()
    xm = (w * x).sum() / sw
    ym = (w * y).sum() / sw
    sxx = (w * (x - xm) ** 2).sum()
    sxy = (w * (x - xm) * (y - ym)).sum()
    prior_sd = prior_b * log_sd
    # Slope in units of relative frequency squared per n^2: var(y) = (2 scale * cents)^2.
    pw = 1.0 / (scale * prior_sd) ** 2
    slope = (sxy + pw * prior_b * scale) / (sxx + pw)
    intercept = ym - slope * xm
    if intercept <= 0:
        return float(np.sqrt(scale)), prior_b
    return float(np.sqrt(intercept)), float(max(slope / intercept, 0.0))


def spread_of_line(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, prior_sd: float
) -> tuple[float, float, float]:
    """Weighted mean of n^2, and the variances of the line's value there and of its slope.

    These two do not depend on one another, so that nothing cancels where all partials lie far up.

    Parameters
    ----------
    n, hz, weight : ndarray, shape (k,)
        As in `fit_line`.
    prior_sd : float
        Standard deviation of B before anything was measured.

    Returns
    -------
    middle : float
        Mean of n^2.
    value_variance, slope_variance : float
        In Hz^4.
    """
    scale = float(np.median((hz / n) ** 2))
    x = n**2
    total = float(weight.sum())
    middle = float((weight * x).sum()) / total
    apart = float((weight * (x - middle) ** 2).sum())
    return middle, 1.0 / total, 1.0 / (apart + 1.0 / (scale * prior_sd) ** 2)
