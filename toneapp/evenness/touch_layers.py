"""Which round does each blow belong to, where a note has fewer blows than the others?

In a run of rounds (soft, medium, firm), played note by note or as whole passes over the keyboard,
the place of a blow among those of its note tells its round, until a blow is missed: then the firm
one comes second and passes for a medium one, and the note for a loud one. The round is read from
the blows around it in time (in whole passes they all belong to one round) and from what each round
reaches on the neighbouring keys.

Conventions: arrays over strikes in any order; rounds count from 0 in the order of time.

Functions: `find_rounds`.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray

__all__ = ["Rounds", "find_rounds"]

MOST_ROUNDS = 8
"""With more blows a note than this, one missed blow says little about the rest."""

LEAST_FULL_NOTES = 6
LEAST_FULL_SHARE = 0.5
"""Fewest notes with the usual number of blows, and their share of all, that make a plan of it."""

NEAR_IN_TIME = 6
"""Blows on each side in time whose rounds are looked at."""

NEAR_KEYS = 10
"""Full notes about a key from which the level of each round is taken."""

LEAST_SHARE = 0.02
"""Belief left for a round that none of the blows around belongs to."""

LEAST_SCATTER_DB = 0.5
LEAST_OWN_DB = 1.0
"""Least scatter of the hand, and least spread of the notes' own levels, that are reckoned with."""

CLEAR_NATS = 3.0
"""A reading that is less likely than the best by more than a factor 20 is not reckoned with."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rounds:
    """The rounds of a run's strikes."""

    usual: int  # blows that most notes have; 1 when there is no plan to be seen
    round: IntArray  # of each strike
    fewer: tuple[int, ...]  # notes with fewer blows than usual, upward
    # Notes among them whose blows may as well belong to other rounds: by how much the note would
    # then be louder (positive) or softer than with the rounds given, in dB; the likeliest such.
    doubt_db: dict[int, float]


def find_rounds(midi: IntArray, onset_s: FloatArray, level_db: FloatArray) -> Rounds:
    """Give every blow the round it was meant for.

    Parameters
    ----------
    midi : ndarray of int, shape (m,)
        Note of each strike.
    onset_s : ndarray, shape (m,)
        Its onset in s.
    level_db : ndarray, shape (m,)
        Its level in dB.

    Returns
    -------
    Rounds
        The place in time among the blows of the note, except on notes with fewer blows than usual.

    Raises
    ------
    ValueError
        If the shapes differ or a value is not finite.

    Notes
    -----
    Every way to leave rounds out that keeps the order of time is tried on such a note. Its cost is
    that of the levels (normal about what the round reaches on the full notes nearby, with the
    note's own level free within the spread of the notes) and that of the rounds of the blows
    around in time.
    """
    if not midi.shape == onset_s.shape == level_db.shape or midi.ndim != 1:
        raise ValueError("midi, onset_s and level_db are vectors of one length")
    if not (np.all(np.isfinite(onset_s)) and np.all(np.isfinite(level_db))):
        raise ValueError("onsets and levels are finite")
    strikes = {
        int(key): np.flatnonzero(midi == key)[np.argsort(onset_s[midi == key], kind="stable")]
        for key in np.unique(midi)
    }
    place = np.zeros(midi.size, dtype=np.int64)
    for own in strikes.values():
        place[own] = np.arange(own.size)
    counts = np.array([own.size for own in strikes.values()])
    usual = int(np.argmax(np.bincount(counts))) if counts.size else 1
    full = [key for key, own in strikes.items() if own.size == usual]
    if not 2 <= usual <= MOST_ROUNDS or len(full) < max(
        LEAST_FULL_NOTES, LEAST_FULL_SHARE * len(strikes)
    ):
        return Rounds(usual=1, round=place, fewer=(), doubt_db={})
    short = [key for key, own in strikes.items() if own.size < usual]
    reached = np.array([level_db[strikes[key]] for key in full])  # (full, usual)
    hand_db, own_db = _scatters(reached)
    share = _shares_in_time(onset_s, place, np.isin(midi, full), usual)
    doubt: dict[int, float] = {}
    for key in short:
        near = np.argsort(np.abs(np.array(full) - key), kind="stable")[:NEAR_KEYS]
        expected = np.median(reached[near], axis=0)
        own = strikes[key]
        ways = [np.array(way) for way in itertools.combinations(range(usual), own.size)]
        above = [float(np.mean(level_db[own] - expected[way])) for way in ways]
        costs = np.array(
            [
                _level_cost(level_db[own] - expected[way], hand_db, own_db)
                - float(np.sum(np.log(share[own, way])))
                for way in ways
            ]
        )
        order = np.argsort(costs)
        best = int(order[0])
        place[own] = ways[best]
        rivals = [i for i in order[1:] if costs[i] - costs[best] < CLEAR_NATS]
        if rivals:
            doubt[key] = above[rivals[0]] - above[best]
    return Rounds(usual=usual, round=place, fewer=tuple(short), doubt_db=doubt)


def _scatters(reached: FloatArray) -> tuple[float, float]:
    """Scatter of the hand about the rounds, and of the notes' own levels about their neighbours'.

    Both from differences of neighbouring notes, in which a course over the keyboard drops out.
    """
    means = reached.mean(axis=1)
    within = np.diff(reached - means[:, None], axis=0)
    freedom = (reached.shape[1] - 1) / reached.shape[1]
    hand = _robust(within) / math.sqrt(2.0 * max(freedom, 0.5))
    own2 = _robust(np.diff(means)) ** 2 / 2.0 - hand**2 / reached.shape[1]
    return max(hand, LEAST_SCATTER_DB), max(math.sqrt(max(own2, 0.0)), LEAST_OWN_DB)


def _robust(values: FloatArray) -> float:
    """Standard deviation by the median of the sizes, for a mean of 0."""
    return 1.4826 * float(np.median(np.abs(values)))


def _shares_in_time(
    onset_s: FloatArray, place: IntArray, is_full: np.ndarray, usual: int
) -> FloatArray:
    """How the rounds share the blows around each strike in time, shape (m, usual)."""
    order = np.argsort(onset_s, kind="stable")
    known = order[is_full[order]]
    at = np.searchsorted(onset_s[known], onset_s)
    share = np.empty((onset_s.size, usual))
    for i, middle in enumerate(at):
        around = known[max(0, middle - NEAR_IN_TIME) : middle + NEAR_IN_TIME]
        share[i] = np.bincount(place[around], minlength=usual)[:usual] / max(around.size, 1)
    return np.maximum(share, LEAST_SHARE)


def _level_cost(off_db: FloatArray, hand_db: float, own_db: float) -> float:
    """Cost of levels off the rounds' own, the note's own level free within its spread."""
    weight, prior = 1.0 / hand_db**2, 1.0 / own_db**2
    own = weight * float(off_db.sum()) / (weight * off_db.size + prior)
    return 0.5 * (weight * float(np.sum((off_db - own) ** 2)) + prior * own**2)
