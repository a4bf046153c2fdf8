"""How sharp does a strike sound, in acum (DIN 45692)?

Sharpness is the balance point of the loudness pattern on the ear's own frequency axis, with extra
weight above 15.8 Bark (3 kHz). It is taken from the mean third-octave spectrum of the first
0.5 s, as ISO 532-1 has it for stationary sounds.

Sharpness depends a little on level. Without a calibration the strike is therefore set to a stated
assumed level first, which makes the figure independent of microphone gain.

Functions: `measure_sharpness`, `sharpness_acum`.

References
----------
.. [1] DIN 45692:2009, Messtechnische Simulation der Hoerempfindung Schaerfe.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.level import LevelResult, measure_level
from toneapp.measure.loudness import band_levels_db
from toneapp.results import Flag
from toneapp.signal.excerpt import ExcerptSpectrum, checked_sound
from toneapp.signal.zwicker import (
    BARK_STEP,
    HIGHEST_LEVEL_DB,
    SpecificLoudness,
    specific_loudness,
    third_octave_power,
)

__all__ = ["ASSUMED_LEVEL_DB", "SharpnessResult", "measure_sharpness", "sharpness_acum"]

ASSUMED_LEVEL_DB = 70.0
"""A-weighted level in dB SPL to which an uncalibrated strike is set: about a medium blow heard
from the player's seat (common practice, no source). The same for every strike, so a firm blow is
not called sharper for its level, only for its spectrum."""

_BEND_BARK = 15.8
"""Critical-band rate above which the weighting rises (DIN 45692, equation 2)."""

_REFERENCE_HZ = (920.0, 1080.0)
_REFERENCE_DB = 60.0
"""The sound of 1 acum: noise one critical band wide about 1 kHz, at 60 dB (DIN 45692, 3.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SharpnessResult:
    """Sharpness of one strike."""

    sharpness_acum: float | None
    assumed_level_db: float | None  # dB SPL (A) it was set to; None when calibrated
    flags: tuple[Flag, ...] = ()


def measure_sharpness(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    end_s: float | None = None,
    calibration_db: float | None = None,
    level: LevelResult | None = None,
) -> SharpnessResult:
    """Sharpness of the first 0.5 s of a strike.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound that holds the strike.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s : float
        Time of the strike in `samples`, in s.
    end_s : float, optional
        Where the next strike or the end of the usable sound lies, in s.
    calibration_db : float, optional
        Sound pressure level of a mean square of 1, in dB SPL. Without it the strike is set to
        `ASSUMED_LEVEL_DB`.
    level : LevelResult, optional
        Level of the strike with the same calibration, when it is at hand.

    Returns
    -------
    SharpnessResult
        ``None`` with `Flag.CUT_SHORT` when less than 0.1 s is there, with `Flag.QUIET` when the
        strike is below the threshold of hearing. `Flag.RATE_LIMITS_BAND` below 28.2 kHz: the
        figure then comes out low.

    Raises
    ------
    ValueError
        If the samples are not mono and finite or the rate is unlikely.
    """
    sound = checked_sound(samples, sample_rate_hz=sample_rate_hz)
    if level is None:
        level = measure_level(
            sound,
            sample_rate_hz=sample_rate_hz,
            onset_s=onset_s,
            end_s=end_s,
            calibration_db=calibration_db,
        )
    flags = [flag for flag in level.flags if flag is not Flag.CLIPPED]
    assumed_db = ASSUMED_LEVEL_DB if calibration_db is None else None
    if level.level_db is None:
        return SharpnessResult(
            sharpness_acum=None, assumed_level_db=assumed_db, flags=tuple(flags)
        )
    if calibration_db is None:
        calibration_db = ASSUMED_LEVEL_DB - level.level_db
    levels = band_levels_db(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        end_s=end_s,
        calibration_db=calibration_db,
    )
    value = sharpness_acum(specific_loudness(np.minimum(levels, HIGHEST_LEVEL_DB)))
    if value is None:
        flags.append(Flag.QUIET)
    return SharpnessResult(sharpness_acum=value, assumed_level_db=assumed_db, flags=tuple(flags))


def sharpness_acum(pattern: SpecificLoudness) -> float | None:
    """Sharpness of a loudness pattern.

    Parameters
    ----------
    pattern : SpecificLoudness
        Loudness over critical-band rate.

    Returns
    -------
    float or None
        ``k * integral(N' g z dz) / N`` in acum; ``None`` without any loudness.

    Notes
    -----
    g(z) is 1 up to 15.8 Bark and ``0.15 exp(0.42 (z - 15.8)) + 0.85`` above. The factor k is set
    so that the reference sound has 1 acum, as the standard asks; it comes out as 0.1100, the
    value that the standard names. The integral is the sum over the upper ends of steps of
    0.1 Bark, in which ISO 532-1 gives the pattern: with the middles of the steps the standard's
    own noise of 10.5 kHz would come out 6 % low.

    References
    ----------
    .. [1] DIN 45692:2009, equations 1 and 2.
    """
    moment = _weighted_moment(pattern)
    return None if moment is None else _unit_factor() * moment


def _weighted_moment(pattern: SpecificLoudness) -> float | None:
    """Sharpness before its unit is fixed."""
    z, density = pattern.critical_band_rate, pattern.sone_per_bark
    loudness = pattern.loudness_sone
    if loudness <= 0.0:
        return None
    weight = np.where(z > _BEND_BARK, 0.15 * np.exp(0.42 * (z - _BEND_BARK)) + 0.85, 1.0)
    return float(np.sum(density * weight * z) * BARK_STEP) / loudness


@lru_cache(maxsize=1)
def _unit_factor() -> float:
    """Factor k: the reference sound, run through the same bands, has 1 acum."""
    frequency_hz = np.arange(0.0, 16_000.0, 2.0)
    low, high = _REFERENCE_HZ
    inside = (frequency_hz >= low) & (frequency_hz <= high)
    spectrum = ExcerptSpectrum(frequency_hz=frequency_hz, power=inside / np.sum(inside))
    levels = 10.0 * np.log10(third_octave_power(spectrum)) + _REFERENCE_DB
    moment = _weighted_moment(specific_loudness(levels))
    assert moment is not None
    return 1.0 / moment
