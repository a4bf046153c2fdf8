"""Which line runs through the partials of a stiff string?

With ``y = (f_n/n)^2`` and ``x = n^2`` the law of the stiff string is the straight line
``y = f0^2 + f0^2 B x``. A belief about B, held before anything is measured, is one more
observation of the slope.

Functions: `fit_line`, `line_covariance`, `spread_of_line`.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import FloatArray

__all__ = ["fit_line", "line_covariance", "spread_of_line"]


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


def line_covariance(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, prior_sd: float
) -> FloatArray:
    """Covariance of intercept and slope of (f_n/n)^2 on n^2, the prior on the slope included.

    Parameters
    ----------
    n, hz, weight : ndarray, shape (k,)
        As in `fit_line`.
    prior_sd : float
        Standard deviation of B before anything was measured.

    Returns
    -------
    ndarray, shape (2, 2)
        In Hz^4.
    """
    middle, mean_var, slope_var = spread_of_line(n, hz, weight, prior_sd=prior_sd)
    cross = -middle * slope_var
    return np.array([[mean_var + middle**2 * slope_var, cross], [cross, slope_var]])


def spread_of_line(
    n: FloatArray, hz: FloatArray, weight: FloatArray, *, prior_sd: float
) -> tuple[float, float, float]:
    """Weighted mean of n^2, and the variances of the line's value there and of its slope.

    These two do not depend on one another, so that nothing cancels where all partials lie far up.

    Parameters
    ----------
    n, hz, weight, prior_sd
        As in `line_covariance`.

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
