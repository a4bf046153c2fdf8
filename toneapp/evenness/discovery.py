"""Which of many notes differ, when each is tested and chance must not fill the list?

Conventions: p-values are two-sided and lie in [0, 1].

Functions: `t_p_values`, `adjust_p_values`, `discoveries`.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import BoolArray, FloatArray

__all__ = ["FALSE_DISCOVERY_RATE", "adjust_p_values", "discoveries", "t_p_values"]

FALSE_DISCOVERY_RATE = 0.05
"""Share of the raised notes that chance alone may have raised, over one compass and measure."""


def t_p_values(t: FloatArray, df: FloatArray) -> FloatArray:
    """Two-sided p-values of Student's t.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Ratios of a difference to its standard error.
    df : ndarray, shape (n,)
        Degrees of freedom, > 0; infinite for the normal distribution.

    Returns
    -------
    ndarray, shape (n,)
        Probabilities of a ratio at least as far from zero.

    Examples
    --------
    >>> t_p_values(np.array([3.6556]), np.array([3.0])).round(5).tolist()
    [0.03535]
    """
    from scipy.special import stdtr

    # With ten thousand million degrees of freedom t is normal; not every scipy takes infinity.
    return np.asarray(2.0 * stdtr(np.minimum(df, 1e10), -np.abs(t)))


def adjust_p_values(p_values: FloatArray) -> FloatArray:
    """p-values adjusted for the false-discovery rate of the step-up procedure.

    Parameters
    ----------
    p_values : ndarray, shape (n,)
        Two-sided p-values.

    Returns
    -------
    ndarray, shape (n,)
        The smallest false-discovery rate at which each would still be counted.

    Raises
    ------
    ValueError
        If a value lies outside [0, 1] or is not finite.

    References
    ----------
    .. [1] Y. Benjamini, Y. Hochberg, "Controlling the false discovery rate: a practical and
       powerful approach to multiple testing", J. R. Stat. Soc. B 57, 289 (1995).

    Examples
    --------
    >>> adjust_p_values(np.array([0.01, 0.02, 0.5])).tolist()
    [0.03, 0.03, 0.5]
    """
    if not np.all((p_values >= 0) & (p_values <= 1)):
        raise ValueError("p-values lie in [0, 1]")
    n = p_values.size
    order = np.argsort(p_values)[::-1]
    ranks = np.arange(n, 0, -1)
    adjusted = np.empty(n)
    adjusted[order] = np.minimum.accumulate(p_values[order] * n / ranks) if n else []
    return adjusted


def discoveries(p_values: FloatArray, *, rate: float = FALSE_DISCOVERY_RATE) -> BoolArray:
    """Tell which hypotheses of chance are refused at a false-discovery rate.

    Parameters
    ----------
    p_values : ndarray, shape (n,)
        Two-sided p-values.
    rate : float
        Accepted share of false ones among the refused.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where chance is refused.
    """
    return np.asarray(adjust_p_values(p_values) <= rate)
