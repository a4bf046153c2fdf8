"""How strong is each partial of each key, and how does it grow with the blow?

Levels are taken relative to the level of the blow. A partial that grows faster than the level as a
whole belongs to what makes a harder blow brighter; a harder hammer shortens the contact as a
harder blow does, and so moves the partials in the same proportions [1]_. From several blows per
note the growth of each partial is told by the run itself.

Conventions: frequencies in Hz, levels in dB, growth in dB of relative level per dB of blow.

Functions: `partial_levels`, `attack_of`, `expected_growth`. Classes: `Attack`, `PartialLevels`.

References
----------
.. [1] D. E. Hall, A. Askenfelt, "Piano string excitation V: Spectra for real hammers and strings",
   J. Acoust. Soc. Am. 83, 1627 (1988): contact time against speed and hardness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.results import StrikeResult

__all__ = ["Attack", "PartialLevels", "attack_of", "expected_growth", "partial_levels"]

DEPTH_DB = 60.0
"""Partials farther below the strongest one of their blow are half noise."""

HIGHEST_HZ = 8000.0
"""Above, hardly two keys share a frequency."""

MOST_PARTIALS = 40
"""Higher numbers are hardly heard, and only in the lowest octave."""

LEAST_HEARD = 0.3
"""Share of a note's blows in which a partial must be heard to count."""

_GROWTH_KEYS = 6.0
_GROWTH_LN_N = 0.35
"""Distances over which the growth changes: the neighbours of a partial tell it as well."""

_EXPECTED_HZ = (100.0, 450.0, 1000.0, 2000.0, 3500.0, 8000.0)
_EXPECTED_GROWTH = (-0.25, 0.0, 0.35, 0.8, 1.15, 1.5)
"""Growth expected before looking: measured on recordings of a grand at five strengths of blow,
where it is nearly one curve over frequency for the whole keyboard."""

_EXPECTED_WEIGHT_DB2 = 4.0
"""Weight of what is expected: as of two blows 3 dB apart."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Attack:
    """Partials of one blow that were heard in the attack, arrays of one length."""

    number: FloatArray
    frequency_hz: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialLevels:
    """Partials of the keys, one row for each, arrays of one length."""

    midi: FloatArray
    number: FloatArray
    frequency_hz: FloatArray
    level_db: FloatArray  # relative to the level of the blow, at the mean level of the key's blows
    growth: FloatArray  # of the relative level per dB of blow


def attack_of(strike: StrikeResult) -> Attack | None:
    """Return the partials of a strike's attack.

    Parameters
    ----------
    strike : StrikeResult

    Returns
    -------
    Attack or None
        None when the series or the attack is not known.
    """
    levels = np.array([math.nan if level is None else level for level in strike.attack_db])
    heard = np.flatnonzero(np.isfinite(levels))
    if strike.f0_hz is None or heard.size == 0:
        return None
    number = heard + 1
    hz = partial_frequency_hz(number, f0_hz=strike.f0_hz, inharmonicity=strike.B or 0.0)
    return Attack(number=number.astype(np.float64), frequency_hz=hz, level_db=levels[heard])


def expected_growth(frequency_hz: FloatArray) -> FloatArray:
    """Growth of a partial's relative level where the run does not tell it.

    Parameters
    ----------
    frequency_hz : ndarray, shape (k,)

    Returns
    -------
    ndarray, shape (k,)
        dB of relative level per dB of blow.
    """
    return np.interp(np.log(frequency_hz), np.log(_EXPECTED_HZ), _EXPECTED_GROWTH)


def partial_levels(
    strikes: Sequence[StrikeResult], attacks: Sequence[Attack | None]
) -> PartialLevels | None:
    """Bring the blows on each key together, partial by partial.

    Parameters
    ----------
    strikes : sequence of StrikeResult
    attacks : sequence of Attack or None
        Of the same strikes.

    Returns
    -------
    PartialLevels or None
        None when no strike has both level and attack.

    Notes
    -----
    A partial that is heard in the firm blows alone would seem too strong: each blow's level is
    carried to the mean level of the key's blows along the partial's growth.
    """
    rows: list[FloatArray] = []
    for strike, attack in zip(strikes, attacks, strict=True):
        if attack is None or strike.level_db is None:
            continue
        kept = attack.level_db > np.max(attack.level_db) - DEPTH_DB
        kept &= (attack.frequency_hz < HIGHEST_HZ) & (attack.number <= MOST_PARTIALS)
        count = int(np.sum(kept))
        rows.append(
            np.stack(
                [
                    np.full(count, float(strike.midi)),
                    attack.number[kept],
                    attack.frequency_hz[kept],
                    attack.level_db[kept] - strike.level_db,
                    np.full(count, strike.level_db),
                ]
            )
        )
    if not rows or not any(row.size for row in rows):
        return None
    midi, number, hz, relative_db, blow_db = np.concatenate(rows, axis=1)
    blows = _blows_of_keys(strikes, attacks)
    code, row = np.unique(midi * 1000.0 + number, return_inverse=True)
    heard_in = np.bincount(row).astype(np.float64)
    key = np.floor(code / 1000.0)
    partial = code - 1000.0 * key
    mean_blow = np.bincount(row, weights=blow_db) / heard_in
    around = blow_db - mean_blow[row]
    growth = _growth(
        key,
        partial,
        expected_growth(np.bincount(row, weights=hz) / heard_in),
        np.bincount(row, weights=around**2).astype(np.float64),
        np.bincount(row, weights=around * relative_db).astype(np.float64),
    )
    usual_blow = np.array([blows[k][0] for k in key.astype(int).tolist()])
    level_db = np.bincount(row, weights=relative_db) / heard_in - growth * (mean_blow - usual_blow)
    heard = heard_in >= LEAST_HEARD * np.array([blows[k][1] for k in key.astype(int).tolist()])
    return PartialLevels(
        midi=key[heard],
        number=partial[heard],
        frequency_hz=(np.bincount(row, weights=hz) / heard_in)[heard],
        level_db=level_db[heard],
        growth=growth[heard],
    )


def _blows_of_keys(
    strikes: Sequence[StrikeResult], attacks: Sequence[Attack | None]
) -> dict[int, tuple[float, int]]:
    """Mean level and number of the blows on each key."""
    levels: dict[int, list[float]] = {}
    for strike, attack in zip(strikes, attacks, strict=True):
        if attack is not None and strike.level_db is not None:
            levels.setdefault(strike.midi, []).append(strike.level_db)
    return {midi: (float(np.mean(found)), len(found)) for midi, found in levels.items()}


def _growth(
    midi: FloatArray,
    number: FloatArray,
    expected: FloatArray,
    leverage: FloatArray,
    product: FloatArray,
) -> FloatArray:
    """Least-squares growth of each partial together with its neighbours'."""
    if not np.any(leverage > _EXPECTED_WEIGHT_DB2):
        return expected
    keys, at = np.unique(midi, return_inverse=True)
    numbers, number_at = np.unique(number, return_inverse=True)
    near_keys = np.exp(-0.5 * ((keys[:, None] - keys[None, :]) / _GROWTH_KEYS) ** 2)
    apart = np.log(numbers)[:, None] - np.log(numbers)[None, :]
    near_numbers = np.exp(-0.5 * (apart / _GROWTH_LN_N) ** 2)
    whole, drive = (
        (near_keys @ _grid(at, number_at, values) @ near_numbers)[at, number_at]
        for values in (leverage, product)
    )
    weight = _EXPECTED_WEIGHT_DB2
    return np.asarray((drive + weight * expected) / (whole + weight))


def _grid(row: IntArray, column: IntArray, values: FloatArray) -> FloatArray:
    grid = np.zeros((int(row.max()) + 1, int(column.max()) + 1))
    grid[row, column] = values
    return grid
