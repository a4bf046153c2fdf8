"""What do room and microphone add to a key's level and brightness?

Whatever lies between the strings and the recording, the room above all, strengthens some
frequencies and weakens others by several decibels, and a key's few partials catch more of it or
less. It cannot be told from one key. But keys share frequencies: the second partial of C4 lies
within a few hertz of the first of C5 and of the third of F3. What all of them show there beyond
what their neighbours on the keyboard lead one to expect is the place, not the hammer.

The model, for partial n of key m at frequency f, levels in dB relative to the blow::

    level(m, n) = course(m, n) + key(m) + key_slope(m) * (ln n - 1) + place(f) + rest

All terms but the rest are smooth random functions: the course over keys and partial numbers, the
place over frequency within a few hertz (its reach follows from the length of the attack window
and of the reverberation). They are worked out together [1]_. How strong place and rest are is
told by the run itself, by the likelihood; where keys do not agree with each other at shared
frequencies, nothing is taken off.

Conventions: frequencies in Hz, levels in dB, brightness in octaves.

Functions: `shared_place`, `strikes_with_place`.

References
----------
.. [1] C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006),
   chapters 2 and 5.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.results import StrikeResult
from toneapp.signal.weighting import a_weighting_db

__all__ = ["SharedPlace", "shared_place", "strikes_with_place"]

DEPTH_DB = 30.0
"""Partials farther below the strongest one of their blow add little to level and brightness."""

HIGHEST_HZ = 8000.0
"""Above, hardly two keys share a frequency."""

LEAST_KEYS = 12
LEAST_PARTIALS = 60
"""With fewer, too few frequencies are shared to tell a place from the keys."""

REACH_HZ = 8.0
"""Distance over which the place changes. A window of 0.2 s and a room's reverberation of 0.3 to
1 s let it change within 3 to 10 Hz; results hardly depend on it."""

_PLACE_DB = (0.0, 1.0, 2.0, 3.0, 4.5)
_REST_DB = (1.5, 2.5, 4.0)
"""Standard deviations that are tried for place and rest."""

_COURSE_DB = 10.0
_COURSE_KEYS = 12.0
_COURSE_LN_N = 0.7
"""The spectrum's course: spread, and the distance in keys and in ln n over which it changes."""

_COMB_DB = 3.0
_COMB_KEYS = 7.0
"""Each partial number's own course over the keys, as the striking point makes it."""

_KEY_DB = 5.0
_KEY_SLOPE_DB = 3.0
_MEAN_DB = 20.0

_TRIED_HZ = 2500.0
_TRIED_PARTIALS = 500
"""The strengths are told from the partials below, where most frequencies are shared."""

_BRIGHTNESS_DOUBT = 0.3
_LEVEL_DOUBT = 0.45
"""What the model does not know, as a share of the place's strength on each partial, so that stated
errors hold in simulated rooms: the place is no Gaussian process with one reach, and the level is
taken over 0.5 s, in which a room answers more sharply than in the 0.2 s of the attack."""

_HUBER = 2.5
_PASSES = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedPlace:
    """What room and microphone add at each frequency, as far as the keys tell."""

    place_db: float  # standard deviation of the place over frequency
    rest_db: float  # standard deviation of what neither course nor place explains
    frequency_hz: FloatArray  # shape (k,), of the partials it was learned from
    weights: FloatArray  # shape (k,)
    factor: FloatArray  # shape (k, k), lower Cholesky factor of the covariance of the levels

    def at(self, frequency_hz: FloatArray) -> FloatArray:
        """Level in dB that the place adds at frequencies in Hz, 0 where nothing tells it."""
        return np.asarray(self._shared(frequency_hz) @ self.weights)

    def se_of_sum(
        self, frequency_hz: FloatArray, parts: FloatArray, *, doubt: float = 0.0
    ) -> float:
        """Standard error of ``sum(parts * at(frequency_hz))``, in dB times the unit of `parts`.

        `doubt` is an error of each partial by itself, as a share of `place_db`.
        """
        from scipy.linalg import solve_triangular

        own = parts @ self._covariance(frequency_hz, frequency_hz) @ parts
        known = solve_triangular(
            self.factor, self._shared(frequency_hz).T @ parts, lower=True, check_finite=False
        )
        unknown = (doubt * self.place_db) ** 2 * float(parts @ parts)
        return math.sqrt(max(float(own - known @ known), 0.0) + unknown)

    def _shared(self, frequency_hz: FloatArray) -> FloatArray:
        return self._covariance(frequency_hz, self.frequency_hz)

    def _covariance(self, first_hz: FloatArray, second_hz: FloatArray) -> FloatArray:
        return self.place_db**2 * _nearness(first_hz[:, None] - second_hz[None, :])


def shared_place(
    midi: FloatArray, number: FloatArray, frequency_hz: FloatArray, level_db: FloatArray
) -> SharedPlace | None:
    """Find what the keys of a run have in common at the frequencies they share.

    Parameters
    ----------
    midi, number : ndarray, shape (k,)
        Key and number of each partial, one row for each pair.
    frequency_hz : ndarray, shape (k,)
        Frequencies in Hz.
    level_db : ndarray, shape (k,)
        Levels in dB, relative to the level of the blow.

    Returns
    -------
    SharedPlace or None
        None with fewer than `LEAST_KEYS` keys or `LEAST_PARTIALS` partials, or when the run gives
        no ground for a place.

    Notes
    -----
    Levels that stray from the whole model are given less weight (Huber). On notes of a real grand
    a minor third apart, partials of different keys within 2 Hz of each other agree beyond the
    course with a correlation of 0.3, and the likelihood puts the place at 2 dB beside a rest of
    4 dB.
    """
    if np.unique(midi).size < LEAST_KEYS or midi.size < LEAST_PARTIALS:
        return None
    course = _course(midi, number)
    nearness = _nearness(frequency_hz[:, None] - frequency_hz[None, :])
    centred = level_db - np.median(level_db)
    tried = _fewest(number, frequency_hz < _TRIED_HZ)
    if tried.size < LEAST_PARTIALS:
        return None
    rows = np.ix_(tried, tried)
    place_db, rest_db = _strengths(course[rows], nearness[rows], centred[tried])
    if place_db == 0.0:
        return None
    covariance = course + place_db**2 * nearness
    variance = np.full(midi.size, rest_db**2)
    for _ in range(_PASSES):
        factor, weights = _solved(covariance, variance, centred)
        miss = np.abs(variance * weights)
        variance = rest_db**2 * np.maximum(1.0, miss / (_HUBER * rest_db))
    factor, weights = _solved(covariance, variance, centred)
    return SharedPlace(
        place_db=place_db,
        rest_db=rest_db,
        frequency_hz=frequency_hz,
        weights=weights,
        factor=factor,
    )


def strikes_with_place(strikes: Sequence[StrikeResult]) -> list[StrikeResult]:
    """Work out for every strike what the place adds to its level and brightness.

    Parameters
    ----------
    strikes : sequence of StrikeResult
        Strikes of one run, made with the microphone in one place.

    Returns
    -------
    list of StrikeResult
        In the same order, with ``place_db``, ``place_oct`` and their errors set where known.
    """
    rows = [_attack_of(strike) for strike in strikes]
    table: defaultdict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
    for strike, attack in zip(strikes, rows, strict=True):
        if attack is None or strike.level_db is None:
            continue
        kept = attack.is_strong
        for n, hz, level_db in zip(
            attack.number[kept], attack.frequency_hz[kept], attack.level_db[kept], strict=True
        ):
            table[strike.midi, int(n)].append((float(hz), float(level_db) - strike.level_db))
    if not table:
        return list(strikes)
    keys = np.array(list(table), dtype=np.float64)
    means = np.array([np.mean(found, axis=0) for found in table.values()])
    place = shared_place(keys[:, 0], keys[:, 1], means[:, 0], means[:, 1])
    if place is None:
        return list(strikes)
    return [
        strike if attack is None else _with_place(strike, attack, place)
        for strike, attack in zip(strikes, rows, strict=True)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Attack:
    """Partials of one blow that were heard in the attack."""

    number: FloatArray
    frequency_hz: FloatArray
    level_db: FloatArray

    @property
    def is_strong(self) -> BoolArray:
        """Strong and low enough to learn from."""
        near = self.level_db > np.max(self.level_db) - DEPTH_DB
        return np.asarray(near & (self.frequency_hz < HIGHEST_HZ))


def _attack_of(strike: StrikeResult) -> _Attack | None:
    """Partials of a strike; None when its series or its attack is not known."""
    levels = np.array([math.nan if level is None else level for level in strike.attack_db])
    heard = np.flatnonzero(np.isfinite(levels))
    if strike.f0_hz is None or heard.size == 0:
        return None
    number = heard + 1
    hz = partial_frequency_hz(number, f0_hz=strike.f0_hz, inharmonicity=strike.B or 0.0)
    return _Attack(number.astype(np.float64), hz, levels[heard])


def _with_place(strike: StrikeResult, attack: _Attack, place: SharedPlace) -> StrikeResult:
    """Set what the place adds: the difference to the spectrum without it."""
    hz = attack.frequency_hz
    added_db = place.at(hz)
    heard, dry = 10.0 ** (0.05 * attack.level_db), 10.0 ** (0.05 * (attack.level_db - added_db))
    weight = 10.0 ** (0.1 * a_weighting_db(hz))
    # How brightness and level answer to one decibel more on each partial.
    share = hz * dry / np.sum(hz * dry) - dry / np.sum(dry)
    per_db_oct = share * math.log(10.0) / 20.0 / math.log(2.0)
    per_db_level = weight * dry**2 / np.sum(weight * dry**2)
    return replace(
        strike,
        place_db=float(10.0 * np.log10(np.sum(weight * heard**2) / np.sum(weight * dry**2))),
        place_db_se=place.se_of_sum(hz, per_db_level, doubt=_LEVEL_DOUBT),
        place_oct=float(
            np.log2(np.sum(hz * heard) / np.sum(heard)) - np.log2(np.sum(hz * dry) / np.sum(dry))
        ),
        place_oct_se=place.se_of_sum(hz, per_db_oct, doubt=_BRIGHTNESS_DOUBT),
    )


def _nearness(distance_hz: FloatArray) -> FloatArray:
    """Correlation of the place at two frequencies (Matérn, 3/2)."""
    z = math.sqrt(3.0) / REACH_HZ * np.abs(distance_hz)
    return np.asarray((1.0 + z) * np.exp(-z))


def _fewest(number: FloatArray, wanted: BoolArray) -> IntArray:
    """Rows of the wanted partials, the lowest numbers first chosen where there are many."""
    rows = np.flatnonzero(wanted)
    order = np.argsort(number[rows], kind="stable")
    return np.sort(rows[order[:_TRIED_PARTIALS]])


def _course(midi: FloatArray, number: FloatArray) -> FloatArray:
    """Covariance of the levels that course and keys make."""
    keys = midi[:, None] - midi[None, :]
    ln_n = np.log(number)
    apart = ln_n[:, None] - ln_n[None, :]
    smooth = np.exp(-0.5 * (keys / _COURSE_KEYS) ** 2 - 0.5 * (apart / _COURSE_LN_N) ** 2)
    comb = np.exp(-0.5 * (keys / _COMB_KEYS) ** 2) * (number[:, None] == number[None, :])
    own = _KEY_DB**2 + _KEY_SLOPE_DB**2 * (ln_n[:, None] - 1.0) * (ln_n[None, :] - 1.0)
    return np.asarray(
        _MEAN_DB**2 + _COURSE_DB**2 * smooth + _COMB_DB**2 * comb + own * (keys == 0)
    )


def _strengths(
    course: FloatArray, nearness: FloatArray, level_db: FloatArray
) -> tuple[float, float]:
    """Spread of place and rest that make the levels most likely."""
    best = (-math.inf, 0.0, _REST_DB[-1])
    ones = np.ones(level_db.size)
    for rest_db in _REST_DB:
        for place_db in _PLACE_DB:
            factor, weights = _solved(course + place_db**2 * nearness, rest_db**2 * ones, level_db)
            likelihood = -0.5 * float(level_db @ weights) - float(np.sum(np.log(np.diag(factor))))
            best = max(best, (likelihood, place_db, rest_db))
    return best[1], best[2]


def _solved(
    covariance: FloatArray, variance: FloatArray, level_db: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Cholesky factor of the whole covariance, and the levels divided by it."""
    from scipy.linalg import cho_solve, cholesky

    whole = covariance.copy()
    whole[np.diag_indices_from(whole)] += variance
    factor = cholesky(whole, lower=True, overwrite_a=True, check_finite=False)
    return factor, cho_solve((factor, True), level_db, check_finite=False)
