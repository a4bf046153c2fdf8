"""Which model explains the partials of all keys together?

For partial n of key m at frequency f, levels in dB relative to the blow::

    level(m, n) = course(m, n) + key(m) + growth(m, n) * hammer(m) + place(f) + rest

All terms but the rest are smooth random functions: the course over keys and partial numbers, the
place over frequency within a few hertz (as far as window and reverberation let it). A hammer moves
all partials of its key in the proportions in which they grow with the blow. They are worked out
together [1]_. How strong place and rest are, and how far the place reaches, is told by the run
itself, by the likelihood; where keys do not agree with each other at shared frequencies, there is
no place.

Conventions: frequencies in Hz, levels in dB.

Functions: `shared_place`. Classes: `SharedPlace`.

References
----------
.. [1] C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006),
   chapters 2 and 5.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.evenness.partial_levels import expected_growth

__all__ = ["SharedPlace", "shared_place"]

LEAST_KEYS = 12
LEAST_PARTIALS = 60
"""With fewer, too few frequencies are shared to tell a place from the keys."""

_PLACE_DB = (0.0, 1.0, 2.0, 3.0, 4.5)
_REST_DB = (0.7, 1.2, 2.0, 3.0, 4.5)
_FAR_REST_DB = (0.0, 1.5, 3.0, 5.0)
"""Standard deviations that are tried for the place, for the rest of the strongest partials, and
for what comes to it 30 dB below them: weak partials scatter more."""

_REACH_HZ = (4.0, 8.0, 12.0)
"""Distances tried over which the place changes. A window of 0.2 s and a room's reverberation of
0.3 to 1 s let it change within 3 to 10 Hz, a soundboard within somewhat more."""

_FIRST_GUESS = (3.0, 2.0, 1.5, 8.0)
_ROUNDS = 2

_COURSE_DB = 10.0
_COURSE_KEYS = 20.0
_COURSE_LN_N = 0.7
"""The spectrum's course: spread, and the distance in keys and in ln n over which it changes."""

_COMB_DB = 2.0
_COMB_KEYS = 7.0
"""Each partial number's own course over the keys, as the striking point makes it."""

_KEY_DB = 5.0
_HAMMER_DB = 3.0
"""Spread of the keys' own level, and of their hammers, as dB of blow that would do the same."""

_LEAST_TOLD = 0.2
"""Share of a hammer's spread that its partials tell, at least; with less the estimate stays near
an ordinary hammer."""

_MEAN_DB = 20.0

_TRIED_HZ = 2500.0
_TRIED_PARTIALS = 500
"""The strengths are told from the partials below, where most frequencies are shared."""

_ROWS = 128
"""Rows of a covariance worked out at a time."""

_HUBER = 2.5
_PASSES = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedPlace:
    """What room and microphone add at each frequency, as far as the keys tell."""

    place_db: float  # standard deviation of the place over frequency
    rest_db: float  # of what neither course nor place explains, strongest partials
    reach_hz: float  # distance over which the place changes
    frequency_hz: FloatArray  # shape (k,), of the partials it was learned from
    weights: FloatArray  # shape (k,)
    covariance: FloatArray  # shape (k, k), of the place at these frequencies
    factor: FloatArray  # shape (k, k), lower Cholesky factor of the covariance of the levels
    keys: FloatArray  # shape (m,), note numbers, upward
    hammer_db: FloatArray  # shape (m,), dB of blow that would do what the key's hammer does
    hammer_se_db: FloatArray  # shape (m,)

    def at(self, frequency_hz: FloatArray) -> FloatArray:
        """Level in dB that the place adds at frequencies in Hz, 0 where nothing tells it."""
        apart_hz = frequency_hz[:, None] - self.frequency_hz[None, :]
        shared = self.place_db**2 * _nearness(apart_hz, self.reach_hz)
        return np.asarray(shared @ self.weights)

    def at_own(self) -> FloatArray:
        """Level in dB that the place adds to the partials it was learned from, shape (k,)."""
        return np.asarray(self.covariance @ self.weights)

    def se_of_sums(self, parts: FloatArray, *, doubt: FloatArray) -> FloatArray:
        """Standard errors of ``parts.T @ at(self.frequency_hz)``, in dB times the unit of `parts`.

        Parameters
        ----------
        parts : ndarray, shape (k, sums)
        doubt : ndarray, shape (sums,)
            An error of each partial by itself, as a share of `place_db`.

        Returns
        -------
        ndarray, shape (sums,)
        """
        from scipy.linalg import solve_triangular

        shared = self.covariance @ parts
        known = solve_triangular(self.factor, shared, lower=True, check_finite=False)
        unknown = (doubt * self.place_db) ** 2 * np.sum(parts**2, axis=0)
        told = np.sum(parts * shared, axis=0) - np.sum(known**2, axis=0)
        return np.asarray(np.sqrt(np.maximum(told, 0.0) + unknown))


def shared_place(
    midi: FloatArray,
    number: FloatArray,
    frequency_hz: FloatArray,
    level_db: FloatArray,
    growth: FloatArray | None = None,
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
    growth : ndarray, shape (k,), optional
        Growth of that relative level per dB of blow; what is usual without it.

    Returns
    -------
    SharedPlace or None
        None with fewer than `LEAST_KEYS` keys or `LEAST_PARTIALS` partials. Where the run gives
        no ground for a place its strength is 0.

    Notes
    -----
    Levels that stray from the whole model are given less weight (Huber). On notes of a real grand
    a minor third apart, partials of different keys within 2 Hz of each other agree beyond the
    course with a correlation of 0.3, and the likelihood puts the place at 2 dB beside a rest of
    4 dB.
    """
    if np.unique(midi).size < LEAST_KEYS or midi.size < LEAST_PARTIALS:
        return None
    tried = _fewest(number, frequency_hz)
    if tried.size < LEAST_PARTIALS:
        return None
    grows = expected_growth(frequency_hz) if growth is None else growth
    keys, key = np.unique(midi, return_inverse=True)
    strongest = np.full(keys.size, -np.inf)
    np.maximum.at(strongest, key, level_db)
    depth_db = strongest[key] - level_db
    centred = level_db - np.median(level_db)
    place_db, rest_db, far_db, reach_hz = _strengths(
        _course(midi[tried], number[tried], grows[tried]),
        frequency_hz[tried],
        depth_db[tried],
        centred[tried],
    )
    of_place = _by_rows(
        frequency_hz.size,
        lambda rows: place_db**2 * _nearness(frequency_hz[rows, None] - frequency_hz, reach_hz),
    )
    covariance = _course(midi, number, grows)
    covariance += of_place
    usual = _rest_variance(rest_db, far_db, depth_db)
    variance = usual
    for _ in range(_PASSES):
        weights = _solved(covariance, variance, centred)[1]
        miss = np.abs(variance * weights)
        variance = usual * np.maximum(1.0, miss / (_HUBER * np.sqrt(usual)))
    factor, weights = _solved(covariance, variance, centred)
    hammer_db, hammer_se_db = _hammers(key, keys.size, grows, factor, weights)
    return SharedPlace(
        place_db=place_db,
        rest_db=rest_db,
        reach_hz=reach_hz,
        frequency_hz=frequency_hz,
        weights=weights,
        covariance=of_place,
        factor=factor,
        keys=keys,
        hammer_db=hammer_db,
        hammer_se_db=hammer_se_db,
    )


def _nearness(apart_hz: FloatArray, reach_hz: float) -> FloatArray:
    """Correlation of the place at two frequencies (Matérn, 3/2)."""
    z = math.sqrt(3.0) / reach_hz * np.abs(apart_hz)
    return np.asarray((1.0 + z) * np.exp(-z))


def _fewest(number: FloatArray, frequency_hz: FloatArray) -> IntArray:
    """Rows of the partials to be tried, the lowest numbers first chosen where there are many."""
    rows = np.flatnonzero(frequency_hz < _TRIED_HZ)
    order = np.argsort(number[rows], kind="stable")
    return np.sort(rows[order[:_TRIED_PARTIALS]])


def _course(midi: FloatArray, number: FloatArray, growth: FloatArray) -> FloatArray:
    """Covariance of the levels that course, keys and hammers make."""
    ln_n = np.log(number)

    def some(rows: slice) -> FloatArray:
        keys = midi[rows, None] - midi
        apart = (ln_n[rows, None] - ln_n) / _COURSE_LN_N
        smooth = np.exp(-0.5 * (keys / _COURSE_KEYS) ** 2 - 0.5 * apart**2)
        comb = np.exp(-0.5 * (keys / _COMB_KEYS) ** 2) * (number[rows, None] == number)
        own = _KEY_DB**2 + _HAMMER_DB**2 * growth[rows, None] * growth
        return np.asarray(
            _MEAN_DB**2 + _COURSE_DB**2 * smooth + _COMB_DB**2 * comb + own * (keys == 0)
        )

    return _by_rows(midi.size, some)


def _by_rows(size: int, some: Callable[[slice], FloatArray]) -> FloatArray:
    """Fill a square matrix some rows at a time, so that what is worked out with stays small."""
    whole = np.empty((size, size))
    for first in range(0, size, _ROWS):
        rows = slice(first, min(first + _ROWS, size))
        whole[rows] = some(rows)
    return whole


def _rest_variance(rest_db: float, far_db: float, depth_db: FloatArray) -> FloatArray:
    """Variance of what nothing explains, for partials so far below the strongest of their key."""
    return np.asarray(rest_db**2 + (far_db * depth_db / 30.0) ** 2)


def _strengths(
    course: FloatArray, frequency_hz: FloatArray, depth_db: FloatArray, level_db: FloatArray
) -> tuple[float, float, float, float]:
    """Place, rest, rest of weak partials, and reach that make the levels most likely."""
    apart_hz = frequency_hz[:, None] - frequency_hz
    nearness = {reach_hz: _nearness(apart_hz, reach_hz) for reach_hz in _REACH_HZ}
    known: dict[tuple[float, ...], float] = {}

    def likelihood(guess: tuple[float, ...]) -> float:
        if guess not in known:
            place_db, rest_db, far_db, reach_hz = guess
            factor, weights = _solved(
                course + place_db**2 * nearness[reach_hz],
                _rest_variance(rest_db, far_db, depth_db),
                level_db,
            )
            known[guess] = -0.5 * float(level_db @ weights) - float(
                np.sum(np.log(np.diag(factor)))
            )
        return known[guess]

    best: tuple[float, ...] = _FIRST_GUESS
    for _ in range(_ROUNDS):
        for i, values in enumerate((_PLACE_DB, _REST_DB, _FAR_REST_DB, _REACH_HZ)):
            best = max(((*best[:i], value, *best[i + 1 :]) for value in values), key=likelihood)
    place_db, rest_db, far_db, reach_hz = best
    return place_db, rest_db, far_db, reach_hz


def _solved(
    covariance: FloatArray, variance: FloatArray, level_db: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Cholesky factor of the whole covariance, and the levels divided by it."""
    from scipy.linalg import cho_solve, cholesky

    whole = covariance.copy()
    whole[np.diag_indices_from(whole)] += variance
    factor = cholesky(whole, lower=True, overwrite_a=True, check_finite=False)
    return factor, cho_solve((factor, True), level_db, check_finite=False)


def _hammers(
    key: IntArray, keys: int, growth: FloatArray, factor: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What the hammers do, in dB of blow, and its standard error.

    The model's own estimate has shrunk toward an ordinary hammer by the share of a hammer's
    spread that its partials do not tell; here it has not.
    """
    from scipy.linalg import solve_triangular

    shared = np.zeros((key.size, keys))
    shared[np.arange(key.size), key] = _HAMMER_DB**2 * growth
    known = solve_triangular(factor, shared, lower=True, check_finite=False)
    told = np.clip(np.sum(known**2, axis=0) / _HAMMER_DB**2, _LEAST_TOLD, 1.0)
    return shared.T @ weights / told, _HAMMER_DB * np.sqrt((1.0 - told) / told)
