"""What changed between two runs, and how sure is that?

Pure functions on numbers: differences with confidence intervals, per note and over all notes, and
the gain of evenness. What in the set-up of two runs stands in the way is told by `setup`.

Conventions: a difference is *after minus before*, in the unit of the measure; a gain of evenness
is positive when the notes lie closer together afterwards.

Functions: `welch_difference`, `paired_difference`, `repeatability_limit`, `estimate_notes`,
`note_changes`, `common_shift`, `same_blow`, `evenness_gain`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.evenness.discovery import FALSE_DISCOVERY_RATE, adjust_p_values, t_p_values
from toneapp.evenness.spread import (
    bootstrap_sds,
    draws,
    mad_sd,
    moderate_variances,
    sd_without_scatter,
)

__all__ = [
    "Difference",
    "EvennessGain",
    "NoteChanges",
    "NoteEstimates",
    "common_shift",
    "estimate_notes",
    "evenness_gain",
    "note_changes",
    "paired_difference",
    "repeatability_limit",
    "same_blow",
    "welch_difference",
]

CONFIDENCE = 0.95
GAIN_DRAWS = 1000

MIN_SHIFT_NOTES = 7
"""Fewest notes in common from which a shift of all levels is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A difference of two means, after minus before."""

    value: float
    se: float
    df: float
    low: float  # ends of the confidence interval
    high: float
    p_value: float  # two-sided


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoteEstimates:
    """One measure over the notes of a run."""

    midi: IntArray
    value: FloatArray
    se: FloatArray
    df: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoteChanges:
    """Change of one measure, for the notes that both runs have."""

    midi: IntArray
    difference: FloatArray
    se: FloatArray
    df: FloatArray
    low: FloatArray  # ends of the confidence interval of each note by itself
    high: FloatArray
    p_adjusted: FloatArray  # for the false-discovery rate over the notes
    is_changed: BoolArray  # larger than audible and than chance


@dataclass(frozen=True, slots=True, kw_only=True)
class EvennessGain:
    """How much closer together the notes lie after the work."""

    before: float  # robust spread of the residuals, scatter removed
    after: float
    gain: float  # before minus after
    low: float
    high: float
    notes: int


def _t_quantile(df: FloatArray, confidence: float) -> FloatArray:
    """Two-sided quantile of Student's t."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(np.minimum(df, 1e10), 0.5 + 0.5 * confidence))


def _difference(value: float, se: float, df: float, confidence: float) -> Difference:
    """Put a difference together with its interval."""
    if se == 0:
        return Difference(
            value=value, se=0.0, df=df, low=value, high=value, p_value=1.0 if value == 0 else 0.0
        )
    half = float(_t_quantile(np.array([df]), confidence)[0]) * se
    p_value = float(t_p_values(np.array([value / se]), np.array([df]))[0])
    return Difference(
        value=value, se=se, df=df, low=value - half, high=value + half, p_value=p_value
    )


def welch_difference(
    before: FloatArray, after: FloatArray, *, confidence: float = CONFIDENCE
) -> Difference | None:
    """Difference of the means of two groups of unequal spread.

    Parameters
    ----------
    before, after : ndarray, shapes (n,) and (m,)
        Values in one unit.
    confidence : float
        Coverage of the interval, in (0, 1).

    Returns
    -------
    Difference or None
        None when either group has fewer than two values.

    References
    ----------
    .. [1] B. L. Welch, "The generalization of Student's problem when several different
       population variances are involved", Biometrika 34, 28 (1947).
    """
    if before.size < 2 or after.size < 2:
        return None
    value = float(after.mean() - before.mean())
    first = float(before.var(ddof=1)) / before.size
    second = float(after.var(ddof=1)) / after.size
    total = first + second
    if total == 0:
        return _difference(value, 0.0, float(before.size + after.size - 2), confidence)
    df = total**2 / (first**2 / (before.size - 1) + second**2 / (after.size - 1))
    return _difference(value, math.sqrt(total), df, confidence)


def paired_difference(
    before: FloatArray, after: FloatArray, *, confidence: float = CONFIDENCE
) -> Difference | None:
    """Mean difference of values that belong together, such as the same notes of two runs.

    Parameters
    ----------
    before, after : ndarray, shape (n,)
        Values in one unit, pair by pair.
    confidence : float
        Coverage of the interval, in (0, 1).

    Returns
    -------
    Difference or None
        None with fewer than two pairs.

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    .. [1] "Student", "The probable error of a mean", Biometrika 6, 1 (1908).

    Examples
    --------
    >>> before, after = np.array([9.9, 9.7, 10.1, 9.9]), np.array([10.1, 9.8, 10.4, 10.0])
    >>> change = paired_difference(before, after)
    >>> round(change.value, 3), round(change.p_value, 5)
    (0.175, 0.03535)
    """
    if before.shape != after.shape:
        raise ValueError(f"pairs are of one shape, got {before.shape} and {after.shape}")
    if before.size < 2:
        return None
    change = after - before
    se = float(change.std(ddof=1)) / math.sqrt(change.size)
    return _difference(float(change.mean()), se, float(change.size - 1), confidence)


def repeatability_limit(sd: float) -> float:
    """Size that two single results on the same thing exceed in 5 % of cases.

    Parameters
    ----------
    sd : float
        Repeatability standard deviation, >= 0.

    Returns
    -------
    float
        ``1.96 * sqrt(2) * sd``, in the unit of `sd`.

    References
    ----------
    .. [1] ISO 5725-6:1994, Accuracy of measurement methods and results, part 6.

    Examples
    --------
    >>> round(repeatability_limit(1.0), 2)
    2.77
    """
    return 1.959964 * math.sqrt(2.0) * sd


def estimate_notes(values: Mapping[int, Sequence[float]]) -> NoteEstimates | None:
    """Mean of each note over its strikes, with an error that borrows from the other notes.

    Parameters
    ----------
    values : mapping of int to sequence of float
        Values of the strikes of each note, by MIDI number.

    Returns
    -------
    NoteEstimates or None
        Notes upward; None when no note has two strikes, since nothing tells the scatter.
    """
    midi = sorted(note for note, strikes in values.items() if len(strikes) > 0)
    counts = np.array([len(values[note]) for note in midi], dtype=np.float64)
    if not np.any(counts > 1):
        return None
    groups = [np.asarray(values[note], dtype=np.float64) for note in midi]
    variance = np.array([g.var(ddof=1) if g.size > 1 else 0.0 for g in groups])
    moderated = moderate_variances(variance, counts - 1.0)
    return NoteEstimates(
        midi=np.array(midi, dtype=np.int64),
        value=np.array([g.mean() for g in groups]),
        se=np.sqrt(moderated.variance / counts),
        df=moderated.df,
    )


def note_changes(
    before: NoteEstimates,
    after: NoteEstimates,
    *,
    audible: float,
    confidence: float = CONFIDENCE,
) -> NoteChanges:
    """Change of each note that both runs have.

    Parameters
    ----------
    before, after : NoteEstimates
        One measure of the same instrument in two runs, in one unit.
    audible : float
        Just-noticeable size, in that unit.
    confidence : float
        Coverage of each note's own interval, in (0, 1).

    Returns
    -------
    NoteChanges
        Differences upward. A note counts as changed when its difference is larger than audible
        and chance is refused at a false-discovery rate of 5 % over the notes.

    Notes
    -----
    Degrees of freedom of the difference by Welch and Satterthwaite.
    """
    midi, first, second = np.intersect1d(before.midi, after.midi, return_indices=True)
    difference = after.value[second] - before.value[first]
    variance = before.se[first] ** 2 + after.se[second] ** 2
    parts = before.se[first] ** 4 / before.df[first] + after.se[second] ** 4 / after.df[second]
    known = variance > 0
    df = np.where(parts > 0, variance**2 / np.where(parts > 0, parts, 1.0), math.inf)
    se = np.sqrt(variance)
    half = _t_quantile(df, confidence) * se
    p = np.where(
        known,
        t_p_values(difference / np.where(known, se, 1.0), df),
        np.where(difference == 0, 1.0, 0.0),
    )
    p_adjusted = adjust_p_values(p)
    return NoteChanges(
        midi=midi.astype(np.int64),
        difference=difference,
        se=se,
        df=df,
        low=difference - half,
        high=difference + half,
        p_adjusted=p_adjusted,
        is_changed=(p_adjusted <= FALSE_DISCOVERY_RATE) & (np.abs(difference) > audible),
    )


def common_shift(changes: NoteChanges) -> Difference | None:
    """Shift that most notes share: the gain, the place, the hand, or work on all notes.

    Parameters
    ----------
    changes : NoteChanges
        Changes of one measure.

    Returns
    -------
    Difference or None
        Median of the differences; its error from their robust spread. None with fewer than
        `MIN_SHIFT_NOTES` notes. Subtract it to compare notes at equal gain.
    """
    n = changes.difference.size
    if n < MIN_SHIFT_NOTES:
        return None
    spread = mad_sd(changes.difference) or 0.0
    # The median of normal values has pi/2 the variance of their mean.
    se = spread * math.sqrt(math.pi / (2.0 * n))
    return _difference(float(np.median(changes.difference)), se, float(n - 1), CONFIDENCE)


def same_blow(
    brightness: FloatArray,
    slope_oct_per_db: FloatArray,
    *,
    from_level_db: FloatArray,
    to_level_db: FloatArray,
) -> FloatArray:
    """Brightness a note would have at another usual blow.

    Two runs of one instrument at unchanged gain, one of them played harder throughout, have
    different reference levels; bring one to the other's before comparing.

    Parameters
    ----------
    brightness : ndarray, shape (n,)
        Brightness at `from_level_db`, octaves.
    slope_oct_per_db : ndarray, shape (n,)
        Slope of each note.
    from_level_db, to_level_db : ndarray, shape (n,)
        Level of the usual blow in the run itself and in the other, in dB.

    Returns
    -------
    ndarray, shape (n,)
        Brightness at `to_level_db`, octaves.
    """
    return np.asarray(brightness + slope_oct_per_db * (to_level_db - from_level_db))


def evenness_gain(
    before_residual: FloatArray,
    before_se: FloatArray,
    after_residual: FloatArray,
    after_se: FloatArray,
    *,
    rng: np.random.Generator,
    confidence: float = CONFIDENCE,
) -> EvennessGain | None:
    """Gain of evenness, with an interval from a bootstrap over notes.

    Parameters
    ----------
    before_residual, before_se, after_residual, after_se : ndarray, shape (n,)
        Residuals from the trend of either run and their errors, for the same notes.
    rng : numpy.random.Generator
        Draws the notes; both runs get the same notes in each draw.
    confidence : float
        Coverage of the interval, in (0, 1).

    Returns
    -------
    EvennessGain or None
        None with fewer than seven notes.

    Raises
    ------
    ValueError
        If the shapes differ.

    Notes
    -----
    Percentile interval [1]_ of the difference of the two spreads.

    References
    ----------
    .. [1] B. Efron, R. Tibshirani, "Bootstrap methods for standard errors, confidence
       intervals, and other measures of statistical accuracy", Stat. Sci. 1, 54 (1986).
    """
    shapes = {a.shape for a in (before_residual, before_se, after_residual, after_se)}
    if len(shapes) != 1:
        raise ValueError("residuals and errors of both runs are for the same notes")
    before = sd_without_scatter(before_residual, before_se)
    after = sd_without_scatter(after_residual, after_se)
    n = before_residual.size
    if before is None or after is None or n < MIN_SHIFT_NOTES:
        return None
    chosen = draws(n, rng=rng, count=GAIN_DRAWS)
    gains = bootstrap_sds(before_residual, before_se, chosen) - bootstrap_sds(
        after_residual, after_se, chosen
    )
    tail = 0.5 - 0.5 * confidence
    low, high = np.quantile(gains, [tail, 1.0 - tail])
    return EvennessGain(
        before=before,
        after=after,
        gain=before - after,
        low=float(low),
        high=float(high),
        notes=n,
    )
