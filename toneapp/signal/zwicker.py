"""How loud is a steady sound to the ear, and where on the ear's frequency axis?

The method for stationary sounds of ISO 532-1:2017 (clause 5; Zwicker's method, formerly
ISO 532 B and DIN 45631): third-octave levels become core loudness in 21 critical bands, to which
slopes toward higher frequencies are attached; the area under that pattern is the loudness.

Conventions: levels in dB re 20 uPa, loudness in sone, critical-band rate z in Bark from 0 to 24;
free field, sound from the front.

Functions: `third_octave_power`, `specific_loudness`.

References
----------
.. [1] ISO 532-1:2017, Acoustics - Methods for calculating loudness - Part 1: Zwicker method,
   clause 5 and Annex A (Tables A.3 to A.9).
.. [2] E. Zwicker, H. Fastl, "Program for calculating loudness according to DIN 45631
   (ISO 532 B)", J. Acoust. Soc. Jpn. (E) 12, 39 (1991).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from toneapp._typing import FloatArray
from toneapp.signal.excerpt import ExcerptSpectrum

__all__ = [
    "BARK_STEP",
    "HIGHEST_BAND_EDGE_HZ",
    "HIGHEST_LEVEL_DB",
    "THIRD_OCTAVE_HZ",
    "SpecificLoudness",
    "specific_loudness",
    "third_octave_power",
]

THIRD_OCTAVE_HZ: FloatArray = 1000.0 * 10.0 ** (np.arange(-16, 12) / 10.0)
"""Exact middle frequencies of the 28 bands named 25 Hz to 12.5 kHz, shape (28,)."""
THIRD_OCTAVE_HZ.flags.writeable = False

HIGHEST_BAND_EDGE_HZ = float(THIRD_OCTAVE_HZ[-1] * 10.0**0.05)
"""Sounds sampled at less than twice this lack a part of the highest band."""

BARK_STEP = 0.1
"""Step of the specific loudness over z (ISO 532-1, 5.6)."""

_FILTER_ORDER = 3
"""Order of the band filters; the standard's own have three second-order sections per band."""

HIGHEST_LEVEL_DB = 120.0
"""The corrections at low frequencies end here."""

# Ranges of level and the reductions for the 11 lowest bands within them (Table A.3), in dB.
_RAP = np.array([45.0, 55.0, 65.0, 71.0, 80.0, 90.0, 100.0, 120.0])
_DLL = np.array(
    [
        [-32, -24, -16, -10, -5, 0, -7, -3, 0, -2, 0],
        [-29, -22, -15, -10, -4, 0, -7, -2, 0, -2, 0],
        [-27, -19, -14, -9, -4, 0, -6, -2, 0, -2, 0],
        [-25, -17, -12, -9, -3, 0, -5, -2, 0, -2, 0],
        [-23, -16, -11, -7, -3, 0, -4, -1, 0, -1, 0],
        [-20, -14, -10, -6, -3, 0, -4, -1, 0, -1, 0],
        [-18, -12, -9, -6, -2, 0, -3, -1, 0, -1, 0],
        [-15, -10, -8, -4, -2, 0, -3, -1, 0, -1, 0],
    ],
    dtype=np.float64,
)
# Level at the threshold in quiet per critical band, in dB (Table A.6).
_LTQ = np.array([30, 18, 12, 8, 7, 6, 5, 4] + [3] * 12, dtype=np.float64)
# Transmission between free field and the hearing organ, in dB (Table A.4).
_A0 = np.array(
    [0] * 10 + [-0.5, -1.6, -3.2, -5.4, -5.6, -4.0, -1.5, 2.0, 5.0, 12.0], dtype=np.float64
)
# Difference between the levels of third-octave and critical band, in dB (Table A.7).
_DCB = np.array(
    [
        *(-0.25, -0.6, -0.8, -0.8, -0.5, 0.0, 0.5, 1.1, 1.5, 1.7),
        *(1.8, 1.8, 1.7, 1.6, 1.4, 1.2, 0.8, 0.5, 0.0, -0.5),
    ]
)
_THRESHOLD_FACTOR = 0.25
"""Ratio s of the intensity just noticeable to that of the noise inside the ear."""

# Upper limits of the critical bands in Bark (Table A.8).
_ZUP = (
    *(0.9, 1.8, 2.8, 3.5, 4.4, 5.4, 6.6, 7.9, 9.2, 10.6, 12.3),
    *(13.8, 15.2, 16.7, 18.1, 19.3, 20.6, 21.8, 22.7, 23.6, 24.0),
)
# Specific loudness at which the upper slopes change, and their steepness in sone per Bark^2 for
# the bands 2 to 9 and above (Table A.9).
_RNS = (
    *(21.5, 18.0, 15.1, 11.5, 9.0, 6.1, 4.4, 3.1, 2.13),
    *(1.36, 0.82, 0.42, 0.30, 0.22, 0.15, 0.10, 0.035, 0.0),
)
_USL = (
    (13.0, 8.2, 6.3, 5.5, 5.5, 5.5, 5.5, 5.5),
    (9.0, 7.5, 6.0, 5.1, 4.5, 4.5, 4.5, 4.5),
    (7.8, 6.7, 5.6, 4.9, 4.4, 3.9, 3.9, 3.9),
    (6.2, 5.4, 4.6, 4.0, 3.5, 3.2, 3.2, 3.2),
    (4.5, 3.8, 3.6, 3.2, 2.9, 2.7, 2.7, 2.7),
    (3.7, 3.0, 2.8, 2.35, 2.2, 2.2, 2.2, 2.2),
    (2.9, 2.3, 2.1, 1.9, 1.8, 1.7, 1.7, 1.7),
    (2.4, 1.7, 1.5, 1.35, 1.3, 1.3, 1.3, 1.3),
    (1.95, 1.45, 1.3, 1.15, 1.1, 1.1, 1.1, 1.1),
    (1.5, 1.2, 0.94, 0.86, 0.82, 0.82, 0.82, 0.82),
    (0.72, 0.67, 0.64, 0.63, 0.62, 0.62, 0.62, 0.62),
    (0.59, 0.53, 0.51, 0.50, 0.42, 0.42, 0.42, 0.42),
    (0.40, 0.33, 0.26, 0.24, 0.24, 0.22, 0.22, 0.22),
    (0.27, 0.21, 0.20, 0.18, 0.17, 0.17, 0.17, 0.17),
    (0.16, 0.15, 0.14, 0.12, 0.11, 0.11, 0.11, 0.11),
    (0.12, 0.11, 0.10, 0.08, 0.08, 0.08, 0.08, 0.08),
    (0.09, 0.08, 0.07, 0.06, 0.06, 0.06, 0.06, 0.05),
    (0.06, 0.05, 0.03, 0.02, 0.02, 0.02, 0.02, 0.02),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpecificLoudness:
    """Loudness pattern of a steady sound."""

    loudness_sone: float
    critical_band_rate: FloatArray  # shape (240,), Bark, upper end of each step
    sone_per_bark: FloatArray  # shape (240,)


def third_octave_power(spectrum: ExcerptSpectrum) -> FloatArray:
    """Power in the third-octave bands of ISO 532-1.

    Parameters
    ----------
    spectrum : ExcerptSpectrum
        Power spectrum.

    Returns
    -------
    ndarray, shape (28,)
        Mean square in each band of `THIRD_OCTAVE_HZ`. A band above half the sampling rate holds
        only what its skirt reaches.

    Notes
    -----
    Each bin is weighted with the response of a third-order Butterworth band filter, as the
    standard's own filter bank has; bands with upright walls would let a partial jump from one
    band into the next.
    """
    bin_hz = float(spectrum.frequency_hz[1])
    return np.asarray(_band_weights(spectrum.frequency_hz.size, bin_hz) @ spectrum.power)


@lru_cache(maxsize=4)
def _band_weights(bins: int, bin_hz: float) -> FloatArray:
    """Squared responses of the bands at each bin, shape (28, bins)."""
    frequency = np.maximum(np.arange(bins), 0.5) * bin_hz
    ratio = frequency[None, :] / THIRD_OCTAVE_HZ[:, None]
    edge = 10.0**0.05  # upper band edge relative to the middle (base-ten third octave)
    detuning = (ratio - 1.0 / ratio) / (edge - 1.0 / edge)
    weights = np.asarray(1.0 / (1.0 + detuning ** (2 * _FILTER_ORDER)))
    weights.flags.writeable = False
    return weights


def specific_loudness(band_levels_db: ArrayLike) -> SpecificLoudness:
    """Loudness of a steady sound from its third-octave levels, free field.

    Parameters
    ----------
    band_levels_db : array_like, shape (28,)
        Levels in dB re 20 uPa in the bands from 25 Hz to 12.5 kHz.

    Returns
    -------
    SpecificLoudness
        Total loudness in sone and its pattern over z.

    Raises
    ------
    ValueError
        If there are not 28 levels, or one is above 120 dB, where the method ends.

    Notes
    -----
    For stationary sounds; the time-varying method of clause 6 follows the sound in steps of
    2 ms and reads higher for a sound that decays.
    """
    levels = np.asarray(band_levels_db, dtype=np.float64)
    if levels.shape != THIRD_OCTAVE_HZ.shape:
        raise ValueError(f"expected 28 third-octave levels, got shape {levels.shape}")
    if not np.all(levels <= HIGHEST_LEVEL_DB):
        raise ValueError(
            f"levels must not exceed {HIGHEST_LEVEL_DB:.0f} dB, got {levels.max():.1f} dB"
        )
    starts, stops, upper, lower = _loudness_segments(_core_loudness(levels))
    z: FloatArray = BARK_STEP * np.arange(1.0, round(_ZUP[-1] / BARK_STEP) + 1.0)
    # At a jump the value is that of the band below; the small step back guards against rounding.
    index = np.searchsorted(stops, z - 1e-9)
    fraction = (z - starts[index]) / (stops[index] - starts[index])
    return SpecificLoudness(
        loudness_sone=float(np.sum(0.5 * (upper + lower) * (stops - starts))),
        critical_band_rate=z,
        sone_per_bark=upper[index] + fraction * (lower[index] - upper[index]),
    )


def _core_loudness(levels_db: FloatArray) -> FloatArray:
    """Core loudness in sone per Bark of the 21 critical bands (ISO 532-1, 5.3 to 5.5)."""
    low = levels_db[:11]
    # The first range whose limit the level, reduced for that range, does not exceed.
    exceeded = low[None, :] > _RAP[:, None] - _DLL
    range_index = np.argmin(exceeded, axis=0)
    intensity = 10.0 ** (0.1 * (low + _DLL[range_index, np.arange(11)]))
    merged = np.array([intensity[:6].sum(), intensity[6:9].sum(), intensity[9:].sum()])
    level = np.concatenate([10.0 * np.log10(merged), levels_db[11:]]) - _A0
    audible = level > _LTQ
    excess_db = np.where(audible, level - _DCB - _LTQ, 0.0)
    core = 0.0635 * 10.0 ** (0.025 * _LTQ)
    core = core * (
        (1.0 - _THRESHOLD_FACTOR + _THRESHOLD_FACTOR * 10.0 ** (0.1 * excess_db)) ** 0.25 - 1.0
    )
    core = np.where(audible, np.maximum(core, 0.0), 0.0)
    # The threshold falls within the lowest critical band; its upper part decides.
    core[0] *= min(1.0, 0.4 + 0.32 * core[0] ** 0.2)
    return np.append(core, 0.0)


def _loudness_segments(
    core: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Straight pieces of the pattern: start, stop in Bark, value at start, value at stop.

    Within a critical band the pattern is the core loudness, or the slope that comes down from a
    louder band below, whichever is greater (ISO 532-1, 5.6). A slope grows flatter as it falls.
    """
    pieces: list[tuple[float, float, float, float]] = []
    z = value = 0.0
    step = 0  # index of the slope in use; it only restarts where the pattern rises
    for band, (z_end, level) in enumerate(zip(_ZUP, core.tolist(), strict=True)):
        column = min(max(band - 1, 0), len(_USL[0]) - 1)
        while z < z_end:
            if value <= level:
                pieces.append((z, z_end, level, level))
                z, value, step = z_end, level, 0
                break
            while _RNS[step] >= value:
                step += 1
            floor = max(_RNS[step], level)
            reach = z + (value - floor) / _USL[step][column]
            if reach < z_end:
                pieces.append((z, reach, value, floor))
                z, value = reach, floor
            else:
                falling_to = value - (z_end - z) * _USL[step][column]
                pieces.append((z, z_end, value, falling_to))
                z, value = z_end, falling_to
    starts, stops, upper, lower = np.array(pieces).T
    return starts, stops, upper, lower
