"""How loud was a blow to the ear?

Two answers. Without a calibration: the momentary loudness of ITU-R BS.1770 in LKFS, which is
relative to full scale. With one: the loudness in sone by the *stationary* method of ISO 532-1 on
the mean spectrum of the first 0.5 s. (The standard's time-varying method follows the sound in
steps of 2 ms and reads higher on a decaying tone; for comparing blows and notes with one another
the stationary figure is steadier and far cheaper.)

Functions: `measure_loudness`.

References
----------
.. [1] Recommendation ITU-R BS.1770-4 (2015), Annex 1.
.. [2] EBU Tech 3341 (2016), clause 2.2: momentary loudness, a window of 0.4 s, not gated.
.. [3] ISO 532-1:2017, clause 5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.level import (
    FULL_BAND_RATE_HZ,
    LEVEL_FADE_S,
    LEVEL_LEAD_IN_S,
    LEVEL_WINDOW_S,
)
from toneapp.results import Flag
from toneapp.signal.excerpt import checked_sound, cut_excerpt, excerpt_spectrum
from toneapp.signal.weighting import apply_response, k_weighting_response
from toneapp.signal.zwicker import HIGHEST_LEVEL_DB, specific_loudness, third_octave_power

__all__ = ["LoudnessResult", "band_levels_db", "measure_loudness"]

MOMENTARY_WINDOW_S = 0.4
"""Window of the momentary loudness in s (EBU Tech 3341)."""

LKFS_OFFSET_DB = -0.691
"""Constant of the loudness formula (BS.1770-4, Annex 1, equation 2)."""

_LEAD_IN_S = 0.05
"""Sound before the onset that lets the filter settle, in s."""

_SILENT_BAND_DB = -60.0
"""Level given to a band without any power, in dB; ISO 532-1 (Annex B.2) uses the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessResult:
    """Loudness of one strike."""

    loudness_lkfs: float | None  # BS.1770, highest momentary value within the first 0.5 s
    loudness_sone: float | None  # ISO 532-1 stationary, first 0.5 s; only with a calibration
    flags: tuple[Flag, ...] = ()


def measure_loudness(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    end_s: float | None = None,
    calibration_db: float | None = None,
) -> LoudnessResult:
    """Loudness of one strike.

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
        Sound pressure level of a mean square of 1, in dB SPL.

    Returns
    -------
    LoudnessResult
        ``loudness_lkfs`` is ``None`` with `Flag.CUT_SHORT` when less than 0.4 s follows the
        onset, or with `Flag.QUIET` for digital silence. ``loudness_sone`` is ``None`` without a
        calibration and with `Flag.CUT_SHORT` as above; band levels above 120 dB SPL, where the
        method ends, count as 120 dB. `Flag.RATE_LIMITS_BAND` below 28.2 kHz.

    Raises
    ------
    ValueError
        If the samples are not mono and finite or the rate is unlikely.

    Notes
    -----
    The mono sound counts as one front channel. The highest window is sought at every sample
    instead of every 0.1 s, so that it does not depend on where a block happens to begin.
    """
    sound = checked_sound(samples, sample_rate_hz=sample_rate_hz)
    flags: list[Flag] = []
    if sample_rate_hz < FULL_BAND_RATE_HZ:
        flags.append(Flag.RATE_LIMITS_BAND)
    lead_in = cut_excerpt(
        sound,
        sample_rate_hz=sample_rate_hz,
        start_s=onset_s,
        duration_s=LEVEL_WINDOW_S,
        lead_in_s=_LEAD_IN_S,
        end_s=end_s,
    )
    if lead_in.covered_s < MOMENTARY_WINDOW_S - 1.0 / sample_rate_hz:
        return LoudnessResult(
            loudness_lkfs=None, loudness_sone=None, flags=(*flags, Flag.CUT_SHORT)
        )
    usable = round((_LEAD_IN_S + lead_in.covered_s) * sample_rate_hz)
    weighted = apply_response(
        lead_in.samples[:usable], sample_rate_hz=sample_rate_hz, response=k_weighting_response
    )
    window = min(round(MOMENTARY_WINDOW_S * sample_rate_hz), usable)
    total = np.concatenate([[0.0], np.cumsum(weighted**2)])
    momentary = float(np.max(total[window:] - total[:-window])) / window
    lkfs = LKFS_OFFSET_DB + 10.0 * float(np.log10(momentary)) if momentary > 0.0 else None
    if lkfs is None:
        flags.append(Flag.QUIET)

    sone = None
    if calibration_db is not None:
        levels = band_levels_db(
            sound,
            sample_rate_hz=sample_rate_hz,
            onset_s=onset_s,
            end_s=end_s,
            calibration_db=calibration_db,
        )
        sone = specific_loudness(np.minimum(levels, HIGHEST_LEVEL_DB)).loudness_sone
    return LoudnessResult(loudness_lkfs=lkfs, loudness_sone=sone, flags=tuple(flags))


def band_levels_db(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    end_s: float | None = None,
    calibration_db: float,
) -> FloatArray:
    """Third-octave levels of the first 0.5 s of a strike.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound that holds the strike.
    sample_rate_hz, onset_s, end_s : float
        As in `measure_loudness`.
    calibration_db : float
        Sound pressure level of a mean square of 1, in dB SPL.

    Returns
    -------
    ndarray, shape (28,)
        Levels in dB SPL from 25 Hz to 12.5 kHz; -60 in a band without power.
    """
    excerpt = cut_excerpt(
        samples,
        sample_rate_hz=sample_rate_hz,
        start_s=onset_s,
        duration_s=LEVEL_WINDOW_S,
        lead_in_s=LEVEL_LEAD_IN_S,
        fade_out_s=LEVEL_FADE_S,
        end_s=end_s,
    )
    if excerpt.window_energy == 0.0:
        return np.full(28, _SILENT_BAND_DB)
    power = third_octave_power(excerpt_spectrum(excerpt))
    floor = 10.0 ** (0.1 * (_SILENT_BAND_DB - calibration_db))
    return np.asarray(10.0 * np.log10(np.maximum(power, floor)) + calibration_db)
