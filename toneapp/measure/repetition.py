"""How well does a key repeat? One key struck as fast as it will go.

From the moments and levels of the blows (`toneapp.measure.blow_train`): strikes per second,
evenness of spacing and of level, blows that did not speak. Times in s.

Functions: `measure_repetition`, `spacing_statistics`; `find_series` is that of `blow_train`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.blow_train import Series, find_series, local_spacing
from toneapp.pitch import note_name
from toneapp.results import Flag

__all__ = [
    "KeyRepetition",
    "Series",
    "SpacingStatistics",
    "find_series",
    "measure_repetition",
    "spacing_statistics",
]

MISSED_RANGE = 0.4
"""A gap is one of missed blows when it lies so near a whole multiple of the usual spacing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpacingStatistics:
    """Evenness of a train of blows."""

    strikes_per_s: float  # blows that spoke, over the time from the first to the last
    usual_spacing_s: float
    spacing_cv: float | None  # standard deviation over mean, gaps of missed blows left out
    spacing_cv_se: float | None
    missed: int
    missed_after: tuple[int, ...]  # index of the blow before each missed one


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRepetition:
    """How one key repeats."""

    midi: int | None  # None when the note is not known
    note: str
    first_s: float
    last_s: float
    blows: int
    strikes_per_s: float
    strikes_per_s_se: float | None
    spacing_cv: float | None  # 0.05: spacings scatter by 5 % of their mean
    spacing_cv_se: float | None
    level_sd_db: float
    level_sd_db_se: float
    missed: int  # blows that did not speak
    missed_at_s: tuple[float, ...] = ()
    times_s: tuple[float, ...] = ()
    levels_db: tuple[float, ...] = ()  # dBFS
    source: str = ""  # file name, when the run is a folder
    flags: tuple[Flag, ...] = ()


def measure_repetition(
    series: Series, *, midi: int | None, source: str = "", flags: tuple[Flag, ...] = ()
) -> KeyRepetition:
    """Sum a series up.

    Parameters
    ----------
    series : Series
        Six blows or more.
    midi : int or None
        The key, if known.
    source : str
        Name of the file.
    flags : tuple of Flag
        Doubts that are known already.

    Returns
    -------
    KeyRepetition
        The standard errors take the spacings as independent.
    """
    spacing = spacing_statistics(series.times_s)
    n = series.times_s.size
    level_sd = float(series.level_db.std(ddof=1))
    at = [
        float(series.times_s[i]) + spacing.usual_spacing_s * (1 + k)
        for i in dict.fromkeys(spacing.missed_after)
        for k in range(spacing.missed_after.count(i))
    ]
    rate_se = None
    if spacing.spacing_cv is not None:
        rate_se = spacing.strikes_per_s * spacing.spacing_cv / float(np.sqrt(n - 1))
    return KeyRepetition(
        midi=midi,
        note=note_name(midi) if midi is not None else "",
        first_s=float(series.times_s[0]),
        last_s=float(series.times_s[-1]),
        blows=n,
        strikes_per_s=spacing.strikes_per_s,
        strikes_per_s_se=rate_se,
        spacing_cv=spacing.spacing_cv,
        spacing_cv_se=spacing.spacing_cv_se,
        level_sd_db=level_sd,
        level_sd_db_se=level_sd / float(np.sqrt(2.0 * (n - 1))),
        missed=spacing.missed,
        missed_at_s=tuple(at),
        times_s=tuple(series.times_s.tolist()),
        levels_db=tuple(series.level_db.tolist()),
        source=source,
        flags=flags,
    )


def spacing_statistics(times_s: FloatArray) -> SpacingStatistics:
    """Rate, evenness and missed blows of a train.

    Parameters
    ----------
    times_s : ndarray, shape (k,)
        Moments of the blows in s, strictly increasing, k >= 3.

    Returns
    -------
    SpacingStatistics
        The standard deviation has one less than the number of spacings in its denominator; the
        standard error of the coefficient c of m spacings is ``c sqrt((0.5 + c**2) / m)``, as for
        a normal sample (first order). None with fewer than three spacings between neighbours.

    Raises
    ------
    ValueError
        If the moments do not increase or are fewer than three.

    Examples
    --------
    >>> beats = spacing_statistics(np.array([0.0, 0.1, 0.2, 0.4, 0.5, 0.6, 0.7]))
    >>> beats.missed, beats.missed_after, round(beats.usual_spacing_s, 3)
    (1, (2,), 0.1)
    """
    spacing = np.diff(times_s)
    if spacing.size < 2 or np.any(spacing <= 0):
        raise ValueError(f"blows are three or more moments that increase, got {times_s}")
    local = local_spacing(spacing)
    ratio = spacing / local
    whole = np.rint(ratio).astype(np.int64)
    is_gap = (whole >= 2) & (np.abs(ratio - whole) <= MISSED_RANGE)
    plain = spacing[~is_gap]
    cv = cv_se = None
    if plain.size >= 3:
        cv = float(plain.std(ddof=1) / plain.mean())
        cv_se = cv * float(np.sqrt((0.5 + cv**2) / plain.size))
    return SpacingStatistics(
        strikes_per_s=float((times_s.size - 1) / (times_s[-1] - times_s[0])),
        usual_spacing_s=float(np.median(plain)) if plain.size else float(np.median(local)),
        spacing_cv=cv,
        spacing_cv_se=cv_se,
        missed=int((whole[is_gap] - 1).sum()),
        missed_after=tuple(
            int(i) for i in np.flatnonzero(is_gap) for _ in range(int(whole[i]) - 1)
        ),
    )
