"""What do room, microphone and single partials add to a key's level and brightness?

Whatever lies between the strings and the recording, the room above all, strengthens some
frequencies and weakens others by several decibels, and a key's few partials catch more of it or
less. It cannot be told from one key. But keys share frequencies: the second partial of C4 lies
within a few hertz of the first of C5 and of the third of F3. What all of them show there beyond
what their neighbours on the keyboard lead one to expect is the place, not the hammer.

A hammer in turn moves all partials of its key in fixed proportions, those in which they grow with
the blow. What the partials say of it together and what the centroid says, which leans on the few
strongest of them, are two estimates of one thing; where they differ, single partials stand out.

The model is that of `spectrum_model`. Conventions: frequencies in Hz, levels in dB, brightness in
octaves.

Functions: `strikes_with_place`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.evenness.partial_levels import Attack, PartialLevels, attack_of, partial_levels
from toneapp.evenness.smoothing import fit_trend
from toneapp.evenness.spectrum_model import SharedPlace, shared_place
from toneapp.results import StrikeResult
from toneapp.signal.weighting import a_weighting_db

__all__ = ["strikes_with_place"]

HAMMER_WEIGHT = 0.5
"""Weight of what all partials say of a hammer beside what the centroid says. Either estimate alone
is worse on three simulators; between a third and two thirds the results hardly differ."""

_SLOPE_KEYS = 5.0
"""Reach over the keys of the answer of the centroid to a hammer."""

_BRIGHTNESS_DOUBT = 0.3
_LEVEL_DOUBT = 0.45
"""What the model does not know, as a share of the place's strength on each partial, so that stated
errors hold in simulated rooms: the place is no Gaussian process with one reach, and the level is
taken over 0.5 s, in which a room answers more sharply than in the 0.2 s of the attack."""

_OCT_PER_DB = math.log2(10.0) / 20.0
"""Octaves of a quantity whose level changes by one decibel."""


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

    Notes
    -----
    To the brightness single partials are counted among the place: half of what the centroid of a
    key says beyond the trend of the keyboard and beyond what all its partials say of its hammer.
    A soft or firm hand moves both alike, so that it drops out of their difference.
    """
    attacks = [attack_of(strike) for strike in strikes]
    levels = partial_levels(strikes, attacks)
    if levels is None:
        return list(strikes)
    place = shared_place(
        levels.midi, levels.number, levels.frequency_hz, levels.level_db, levels.growth
    )
    if place is None:
        return list(strikes)
    of_key = _keys_of(levels, place)
    placed = [
        strike
        if attack is None or strike.midi not in of_key
        else _with_place(strike, attack, of_key[strike.midi])
        for strike, attack in zip(strikes, attacks, strict=True)
    ]
    beyond = _single_partials(placed, of_key)
    return [
        strike
        if strike.place_oct is None
        else replace(strike, place_oct=strike.place_oct + beyond.get(strike.midi, 0.0))
        for strike in placed
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Key:
    """What is known of one key."""

    added_db: FloatArray  # by the place to partials 1, 2 ...
    hammer_oct: float  # brightness that all partials together lay to the hammer
    level_se_db: float
    brightness_se_oct: float


def _keys_of(levels: PartialLevels, place: SharedPlace) -> dict[int, _Key]:
    """Work out each key, for all its blows: their series agree within 0.1 Hz."""
    added_db = place.at_own()
    rows = [np.flatnonzero(levels.midi == key) for key in place.keys]
    dry_db = levels.level_db - added_db
    level_parts = np.zeros((levels.midi.size, len(rows)))
    brightness_parts = np.zeros_like(level_parts)
    slope = np.empty(len(rows))
    for i, own in enumerate(rows):
        hz = levels.frequency_hz[own]
        level_parts[own, i] = _level_parts(hz, dry_db[own])
        brightness_parts[own, i] = _brightness_parts(hz, dry_db[own])
        # A hammer that does what one decibel of blow does moves the centroid by so much.
        slope[i] = brightness_parts[own, i] @ levels.growth[own]
    level_se, centroid_se = np.split(
        place.se_of_sums(
            np.hstack([level_parts, brightness_parts]),
            doubt=np.repeat([_LEVEL_DOUBT, _BRIGHTNESS_DOUBT], len(rows)),
        ),
        2,
    )
    near = np.exp(-0.5 * ((place.keys[:, None] - place.keys[None, :]) / _SLOPE_KEYS) ** 2)
    slope = near @ slope / near.sum(axis=1)
    brightness_se = np.hypot(
        (1.0 - HAMMER_WEIGHT) * centroid_se, HAMMER_WEIGHT * slope * place.hammer_se_db
    )
    keys = {}
    for i, (key, own) in enumerate(zip(place.keys, rows, strict=True)):
        of_partials = np.zeros(int(levels.number[own].max()))
        of_partials[levels.number[own].astype(int) - 1] = added_db[own]
        keys[int(key)] = _Key(
            of_partials,
            float(slope[i] * place.hammer_db[i]),
            float(level_se[i]),
            float(brightness_se[i]),
        )
    return keys


def _single_partials(
    placed: Sequence[StrikeResult], of_key: Mapping[int, _Key]
) -> dict[int, float]:
    """What single partials add to the brightness of each key, in octaves."""
    said: defaultdict[int, list[float]] = defaultdict(list)
    for strike in placed:
        if strike.brightness is not None and strike.place_oct is not None:
            said[strike.midi].append(strike.brightness - strike.place_oct)
    keys = sorted(said)
    centroid = np.array([np.mean(said[key]) for key in keys])
    trend = fit_trend(np.array(keys, dtype=np.float64), centroid)
    if trend is None:
        return {}
    hammer = np.array([of_key[key].hammer_oct for key in keys])
    beyond = HAMMER_WEIGHT * (centroid - trend.left_out - hammer)
    return dict(zip(keys, beyond.tolist(), strict=True))


def _with_place(strike: StrikeResult, attack: Attack, key: _Key) -> StrikeResult:
    """Set what the place adds: the difference to the spectrum without it."""
    added_db = np.zeros(attack.number.size)
    known = attack.number <= key.added_db.size
    added_db[known] = key.added_db[attack.number[known].astype(int) - 1]
    hz, heard_db, dry_db = attack.frequency_hz, attack.level_db, attack.level_db - added_db
    weight_db = a_weighting_db(hz)
    heard, dry = (np.sum(10.0 ** (0.1 * (db + weight_db))) for db in (heard_db, dry_db))
    return replace(
        strike,
        place_db=float(10.0 * np.log10(heard / dry)),
        place_db_se=key.level_se_db,
        place_oct=_centroid_oct(hz, heard_db) - _centroid_oct(hz, dry_db),
        place_oct_se=key.brightness_se_oct,
    )


def _centroid_oct(frequency_hz: FloatArray, level_db: FloatArray) -> float:
    """Magnitude-weighted centroid in octaves above 1 Hz."""
    size = 10.0 ** (0.05 * level_db)
    return float(np.log2(np.sum(frequency_hz * size) / np.sum(size)))


def _brightness_parts(frequency_hz: FloatArray, level_db: FloatArray) -> FloatArray:
    """Octaves of the centroid per decibel more on each partial."""
    size = 10.0 ** (0.05 * level_db)
    moment = frequency_hz * size
    return np.asarray((moment / np.sum(moment) - size / np.sum(size)) * _OCT_PER_DB)


def _level_parts(frequency_hz: FloatArray, level_db: FloatArray) -> FloatArray:
    """Decibels of A-weighted level per decibel more on each partial."""
    power = 10.0 ** (0.1 * (level_db + a_weighting_db(frequency_hz)))
    return np.asarray(power / np.sum(power))
