"""How far do values scatter, and how well is that known from a few blows?

Conventions: a spread is a standard deviation in the unit of its values, `df` are degrees of
freedom (they may be fractions).

Three robust standard deviations serve three ends: `mad_sd` for a rough first scale, `core_sd` for
the ordinary notes with the strays left out of account, `pair_sd` for the figure of a run, in which
strays count, but no more than any pair of notes may.

Functions: `mad_sd`, `core_sd`, `pair_sd`, `sd_without_scatter`, `bootstrap_sd_se`,
`moderate_variances`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray

__all__ = [
    "MAD_TO_SD",
    "Moderated",
    "bootstrap_sd_se",
    "core_sd",
    "mad_sd",
    "moderate_variances",
    "pair_sd",
    "sd_without_scatter",
]

MAD_TO_SD = 1.482602
"""1 / Phi^-1(3/4): median absolute deviation to standard deviation of a normal distribution."""

LEAST_DF = 0.5
"""Variances known from less than this say nothing about how variances are distributed."""

BOOTSTRAP_DRAWS = 200
"""Enough for a standard error to 5 %."""

PAIR_TO_SD = 2.2219
"""1 / (sqrt(2) * Phi^-1(5/8)): first quartile of the differences between pairs to standard
deviation of a normal distribution (Rousseeuw and Croux 1993)."""

PAIR_EFFICIENCY = 0.82
"""Of that estimate against the standard deviation of normal values (the same source)."""

CORE_REACH = 3.0
CORE_SHRINKS = 0.98658
"""A normal distribution cut at three standard deviations has this standard deviation."""

CORE_PASSES = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moderated:
    """Variances that borrow from one another."""

    variance: FloatArray  # one per group
    df: FloatArray  # of each variance, prior included; may be infinite
    prior_variance: float
    prior_df: float  # infinite when the groups do not differ beyond chance


def mad_sd(values: FloatArray, *, center: float | None = None) -> float | None:
    """Robust standard deviation from the median absolute deviation.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values in any unit.
    center : float, optional
        Known centre; the median of `values` without it.

    Returns
    -------
    float or None
        1.4826 times the median absolute deviation; None with fewer than two values.

    References
    ----------
    .. [1] F. R. Hampel, "The influence curve and its role in robust estimation",
       J. Am. Stat. Assoc. 69, 383 (1974).

    Examples
    --------
    >>> round(mad_sd(np.array([1.0, 2.0, 2.0, 3.0, 14.0])), 4)
    1.4826
    """
    if values.size < 2:
        return None
    middle = float(np.median(values)) if center is None else center
    return MAD_TO_SD * float(np.median(np.abs(values - middle)))


def core_sd(values: FloatArray) -> float | None:
    """Standard deviation of the ordinary values about zero, strays left out.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Residuals in any unit.

    Returns
    -------
    float or None
        Root mean square of the values within three of these standard deviations, found in a few
        passes from the median absolute deviation, corrected for the cut; None with fewer than two
        values.

    References
    ----------
    .. [1] P. J. Rousseeuw, A. M. Leroy, "Robust regression and outlier detection" (1987),
       chapter 1: reweighting after a robust first scale.
    """
    scale = mad_sd(values, center=0.0)
    if scale is None:
        return None
    for _ in range(CORE_PASSES):
        kept = values[np.abs(values) <= CORE_REACH * scale]
        if kept.size < 2:
            break
        scale = math.sqrt(float(np.mean(kept**2))) / CORE_SHRINKS
    return scale


def pair_sd(values: FloatArray) -> float | None:
    """Robust standard deviation from the differences between all pairs (Qn).

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values in any unit.

    Returns
    -------
    float or None
        None with fewer than two values.

    Notes
    -----
    The k-th smallest of the differences between pairs, k about a quarter of their number. It
    breaks down only when half of the values are wild, and uses the values more than twice as well
    as the median absolute deviation does (82 % against 37 % of the normal optimum), which is what
    an interval for a gain needs. The factors for few values are those of Croux and Rousseeuw
    (1992), from memory, for n > 9 and used below too.

    References
    ----------
    .. [1] P. J. Rousseeuw, C. Croux, "Alternatives to the median absolute deviation",
       J. Am. Stat. Assoc. 88, 1273 (1993).
    """
    if values.size < 2:
        return None
    return float(_pair_sds(values[None, :])[0])


def sd_without_scatter(residuals: FloatArray, se: FloatArray) -> float | None:
    """Robust spread of what lies behind the residuals, their own errors taken out.

    Parameters
    ----------
    residuals : ndarray, shape (n,)
        Residuals in any unit.
    se : ndarray, shape (n,)
        Their standard errors, in the same unit.

    Returns
    -------
    float or None
        ``sqrt(pair_sd**2 - median(se**2))``, at least 0; None with fewer than two values.
    """
    total = pair_sd(residuals)
    if total is None:
        return None
    return math.sqrt(max(total**2 - float(np.median(se**2)), 0.0))


def bootstrap_sd_se(
    residuals: FloatArray, se: FloatArray, *, rng: np.random.Generator
) -> float | None:
    """Standard error of `sd_without_scatter`, from a bootstrap over notes.

    Parameters
    ----------
    residuals, se : ndarray, shape (n,)
        As in `sd_without_scatter`.
    rng : numpy.random.Generator
        Draws the notes.

    Returns
    -------
    float or None
        Standard deviation over the draws, same unit; None with fewer than two values.

    Notes
    -----
    Where the errors account for all of the scatter the spread is 0 in nearly every draw. That it
    is 0 is not certain for all that: the standard error is at least the rise of the spread when
    the variance of the residuals rises by its own standard error.

    References
    ----------
    .. [1] B. Efron, "Bootstrap methods: another look at the jackknife", Ann. Stat. 7, 1 (1979).
    """
    if residuals.size < 2:
        return None
    over_draws = np.std(bootstrap_sds(residuals, se, draws(residuals.size, rng=rng)), ddof=1)
    own = sd_without_scatter(residuals, se) or 0.0
    total2 = float(_pair_sds(residuals[None])[0]) ** 2
    rise2 = total2 * math.sqrt(2.0 / (PAIR_EFFICIENCY * residuals.size))
    return max(float(over_draws), math.sqrt(own**2 + rise2) - own)


def draws(size: int, *, rng: np.random.Generator, count: int = BOOTSTRAP_DRAWS) -> IntArray:
    """Indices of `count` bootstrap samples of `size` notes, shape (count, size)."""
    return rng.integers(0, size, size=(count, size))


def bootstrap_sds(residuals: FloatArray, se: FloatArray, chosen: IntArray) -> FloatArray:
    """`sd_without_scatter` of each bootstrap sample (rows of `chosen`), shape (count,)."""
    blocks = np.array_split(chosen, max(1, len(chosen) // BOOTSTRAP_DRAWS))
    total = np.concatenate([_pair_sds(residuals[block]) for block in blocks])
    scatter2 = np.median(se[chosen] ** 2, axis=1)
    return np.asarray(np.sqrt(np.maximum(total**2 - scatter2, 0.0)))


def _pair_sds(rows: FloatArray) -> FloatArray:
    """`pair_sd` of each row."""
    n = rows.shape[1]
    first, second = np.triu_indices(n, 1)
    half = n // 2 + 1
    k = half * (half - 1) // 2
    difference = np.abs(rows[:, first] - rows[:, second]).astype(np.float32)
    kth = np.partition(difference, k - 1, axis=1)[:, k - 1].astype(np.float64)
    few = n / (n + 1.4) if n % 2 else n / (n + 3.8)
    return np.asarray(PAIR_TO_SD * few * kth)


def moderate_variances(variance: FloatArray, df: FloatArray) -> Moderated:
    """Shrink many variances, each from few blows, towards their common value.

    Parameters
    ----------
    variance : ndarray, shape (n,)
        Sample variance of each group, >= 0; any value where `df` is 0.
    df : ndarray, shape (n,)
        Degrees of freedom of each, >= 0.

    Returns
    -------
    Moderated
        Posterior variances and their degrees of freedom. A group without degrees of freedom
        of its own gets the prior.

    Raises
    ------
    ValueError
        If the shapes differ or no group has degrees of freedom.

    Notes
    -----
    The variances are taken as draws from a scaled inverse chi-square distribution whose scale
    and degrees of freedom follow from mean and variance of the log sample variances [1]_
    (section 6.2). Three blows that agree by chance then no longer make a note look certain.
    A sample variance of exactly 0 (equal readings) is lifted to a thousandth of the median.

    References
    ----------
    .. [1] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential
       expression in microarray experiments", Stat. Appl. Genet. Mol. Biol. 3, 3 (2004).
    """
    if variance.shape != df.shape:
        raise ValueError(f"one df per variance, got {df.shape} for {variance.shape}")
    informed = df >= LEAST_DF
    if not np.any(informed):
        if not np.any(df > 0):
            raise ValueError("no group has degrees of freedom")
        informed = df > 0
    own, own_df = variance[informed], df[informed]
    pooled = float(np.sum(own * own_df) / np.sum(own_df))
    prior_variance, prior_df = pooled, math.inf
    if own.size > 2 and pooled > 0:
        prior_variance, prior_df = _fit_prior(own, own_df, pooled)
    own_all = np.where(df > 0, variance, 0.0)
    if math.isinf(prior_df):
        posterior = np.full(variance.shape, prior_variance)
        total_df = np.full(variance.shape, float(np.sum(own_df)))
    else:
        posterior = (prior_df * prior_variance + df * own_all) / (prior_df + df)
        total_df = np.minimum(prior_df + df, float(np.sum(own_df)))
    return Moderated(
        variance=posterior, df=total_df, prior_variance=prior_variance, prior_df=prior_df
    )


def _fit_prior(variance: FloatArray, df: FloatArray, pooled: float) -> tuple[float, float]:
    """Scale and degrees of freedom of the prior, by moments of log variances (Smyth 2004)."""
    from scipy.special import digamma, polygamma

    floor = max(1e-3 * float(np.median(variance)), 1e-12 * pooled)
    z = np.log(np.maximum(variance, floor))
    e = z - digamma(df / 2) + np.log(df / 2)
    # Few degrees of freedom make log variances wide: weigh each by what it tells.
    trigamma = polygamma(1, df / 2)
    weight = 1.0 / trigamma
    mean = float(np.sum(weight * e) / np.sum(weight))
    share = weight / np.sum(weight)
    spread = float(np.sum(weight * (e - mean) ** 2) / np.sum(weight) / (1.0 - np.sum(share**2)))
    excess = spread - float(np.sum(weight * trigamma) / np.sum(weight))
    if excess <= 0:
        return pooled, math.inf
    half = _inverse_trigamma(excess)
    prior_df = 2.0 * half
    return math.exp(mean + float(digamma(half)) - math.log(half)), prior_df


def _inverse_trigamma(value: float) -> float:
    """Solve trigamma(x) = value by Newton's method on 1/trigamma (Smyth 2004, appendix)."""
    from scipy.special import polygamma

    if value > 1e7:
        return 1.0 / math.sqrt(value)
    if value < 1e-6:
        return 1.0 / value
    x = 0.5 + 1.0 / value
    for _ in range(50):
        trigamma = float(polygamma(1, x))
        change = trigamma * (1.0 - trigamma / value) / float(polygamma(2, x))
        x += change
        if -change / x < 1e-10:
            break
    return x
