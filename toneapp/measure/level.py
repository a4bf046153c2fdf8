"""How strong was a blow, did it overload the input, and what is full scale in dB SPL?

Conventions: levels in dB relative to a mean square of 1 (dBFS; a sinusoid at full scale has
-3.01), A-weighted where said. A calibration is the sound pressure level that a mean square of 1
stands for; adding it turns dBFS into dB SPL.

Functions: `measure_level`, `a_weighted_level_db`, `calibration_from_tone`,
`calibration_from_meter`.

References
----------
.. [1] IEC 61672-1:2013, Electroacoustics - Sound level meters - Part 1: Specifications.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.results import Flag
from toneapp.signal.excerpt import checked_sound, cut_excerpt, excerpt_spectrum
from toneapp.signal.weighting import a_weighting_response, apply_response, fast_level

__all__ = [
    "FULL_BAND_RATE_HZ",
    "LEVEL_FADE_S",
    "LEVEL_LEAD_IN_S",
    "LEVEL_WINDOW_S",
    "LevelResult",
    "a_weighted_level_db",
    "calibration_from_meter",
    "calibration_from_tone",
    "measure_level",
]

LEVEL_WINDOW_S = 0.5
"""Time from the strike whose energy counts, in s."""

LEVEL_LEAD_IN_S = 0.005
"""Sound just before the given onset that is faded in: an onset found 5 ms late loses nothing."""

LEVEL_FADE_S = 0.05
"""Fade at the end of the window; see `toneapp.signal.excerpt.cut_excerpt`."""

FULL_BAND_RATE_HZ = 28_200.0
"""Below this rate the band named 12.5 kHz, the highest of the loudness measures, is not whole."""

_SHORTEST_S = 0.1
"""With less sound than this after the onset no level is given."""

_FULL_SCALE = 0.999
"""What converters of 8 bits and more deliver when they are driven beyond their range."""

_FULL_SCALE_RUN = 2
"""A single sample at full scale may be a peak that just fits."""

_OVERSHOOT = 1.25
"""A file of floats may exceed full scale: by a little after the rate of a clipped sound was
changed, by more where it was written louder and nothing is clipped at full scale."""

_FLAT_RUN = 4
_FLAT_STEP = 0.02
_FLAT_LEAST = 0.25
_LEAST_QUANTA = 100
"""A recording clipped below full scale shows runs of at least four equal samples at its very
peak, entered by a step of more than 2 % of the peak; a slow tone in coarse steps has the runs
but not the step. A polarity that stays below a quarter of the other is not looked at, nor a sound
of less than a hundred steps of its converter, whose own steps are as large."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelResult:
    """Level of one strike."""

    level_db: float | None  # A-weighted mean of the first 0.5 s, dBFS (dB SPL when calibrated)
    peak_dbfs: float | None  # highest sample of the same time, unweighted
    is_clipped: bool
    clipped_samples: int
    flags: tuple[Flag, ...] = ()


def measure_level(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    end_s: float | None = None,
    calibration_db: float | None = None,
) -> LevelResult:
    """Level and peak of one strike.

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
    LevelResult
        ``level_db`` is the A-weighted energy mean over the first 0.5 s. ``None`` with
        `Flag.CUT_SHORT` when less than 0.1 s is there; with the flag alone when the mean is over
        less than 0.5 s, which reads higher. ``None`` with `Flag.QUIET` for digital silence.
        `Flag.RATE_LIMITS_BAND` below 28.2 kHz, `Flag.CLIPPED` when the input was overloaded.

    Raises
    ------
    ValueError
        If the samples are not mono and finite or the rate is unlikely.

    Notes
    -----
    The weighting is applied to the Fourier transform of the window as the analogue curve, so it
    holds at every sampling rate. Room noise is contained.

    References
    ----------
    .. [1] IEC 61672-1:2013, clauses 3.12 (time-averaged level) and 5.5 (A-weighting).
    """
    sound = checked_sound(samples, sample_rate_hz=sample_rate_hz)
    flags: list[Flag] = []
    excerpt = cut_excerpt(
        sound,
        sample_rate_hz=sample_rate_hz,
        start_s=onset_s,
        duration_s=LEVEL_WINDOW_S,
        lead_in_s=LEVEL_LEAD_IN_S,
        fade_out_s=LEVEL_FADE_S,
        end_s=end_s,
    )
    if excerpt.covered_s < LEVEL_WINDOW_S - 1.0 / sample_rate_hz:
        flags.append(Flag.CUT_SHORT)
    if excerpt.covered_s < _SHORTEST_S:
        return LevelResult(
            level_db=None,
            peak_dbfs=None,
            is_clipped=False,
            clipped_samples=0,
            flags=tuple(flags),
        )
    if sample_rate_hz < FULL_BAND_RATE_HZ:
        flags.append(Flag.RATE_LIMITS_BAND)

    first = max(round((onset_s - LEVEL_LEAD_IN_S) * sample_rate_hz), 0)
    stretch = sound[first : round((onset_s + excerpt.covered_s) * sample_rate_hz)]
    clipped = _clipped_count(stretch)
    if clipped:
        flags.append(Flag.CLIPPED)

    spectrum = excerpt_spectrum(excerpt)
    gain = np.abs(a_weighting_response(spectrum.frequency_hz))
    level_db = _decibels(float(np.sum(spectrum.power * gain**2)))
    if level_db is None:
        flags.append(Flag.QUIET)
    elif calibration_db is not None:
        level_db += calibration_db
    peak = float(np.max(np.abs(stretch)))
    return LevelResult(
        level_db=level_db,
        peak_dbfs=_decibels(peak**2),
        is_clipped=clipped > 0,
        clipped_samples=clipped,
        flags=tuple(flags),
    )


def a_weighted_level_db(samples: FloatArray, *, sample_rate_hz: float) -> float | None:
    """A-weighted level of a stretch of steady sound, such as the noise of the room.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound; a fifth of it is faded at each end.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    float or None
        dBFS; ``None`` for digital silence or less than 20 ms of sound.

    References
    ----------
    .. [1] IEC 61672-1:2013, clause 5.5.
    """
    sound = checked_sound(samples, sample_rate_hz=sample_rate_hz)
    duration_s = sound.size / sample_rate_hz
    if duration_s < 0.02:
        return None
    fade_s = 0.2 * duration_s
    excerpt = cut_excerpt(
        sound,
        sample_rate_hz=sample_rate_hz,
        start_s=fade_s,
        duration_s=duration_s - fade_s,
        lead_in_s=fade_s,
        fade_out_s=fade_s,
    )
    spectrum = excerpt_spectrum(excerpt)
    gain = np.abs(a_weighting_response(spectrum.frequency_hz))
    return _decibels(float(np.sum(spectrum.power * gain**2)))


def calibration_from_tone(
    samples: FloatArray, *, sample_rate_hz: float, tone_db: float
) -> float | None:
    """Sound pressure level of full scale, from a recorded calibrator tone.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Recording of nothing but the tone.
    sample_rate_hz : float
        Sampling rate in Hz.
    tone_db : float
        Level of the tone in dB SPL, usually 94.

    Returns
    -------
    float or None
        dB SPL of a mean square of 1; ``None`` for digital silence.
    """
    sound = checked_sound(samples, sample_rate_hz=sample_rate_hz)
    # A direct voltage is no sound.
    level_db = _decibels(float(np.var(sound))) if sound.size else None
    return None if level_db is None else tone_db - level_db


def calibration_from_meter(
    samples: FloatArray, *, sample_rate_hz: float, reading_db: float
) -> float | None:
    """Sound pressure level of full scale, from the highest reading of a sound level meter.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Recording of the sound that the meter, beside the microphone, measured.
    sample_rate_hz : float
        Sampling rate in Hz.
    reading_db : float
        Maximum shown by the meter with weightings A and F, in dB.

    Returns
    -------
    float or None
        dB SPL of a mean square of 1; ``None`` for digital silence.

    References
    ----------
    .. [1] IEC 61672-1:2013, clauses 5.5 (A-weighting) and 5.8 (time weighting F).
    """
    sound = checked_sound(samples, sample_rate_hz=sample_rate_hz)
    if not sound.size:
        return None
    weighted = apply_response(sound, sample_rate_hz=sample_rate_hz, response=a_weighting_response)
    level_db = _decibels(float(np.max(fast_level(weighted, sample_rate_hz=sample_rate_hz))))
    return None if level_db is None else reading_db - level_db


def _decibels(power: float) -> float | None:
    """10 log10, or None for no power at all."""
    return float(10.0 * np.log10(power)) if power > 0.0 else None


def _clipped_count(sound: FloatArray) -> int:
    """Samples at full scale, or on a flat top below it."""
    magnitude = np.abs(sound)
    at_rail = magnitude >= _FULL_SCALE
    _, lengths = _runs(at_rail)
    peak = float(magnitude.max(initial=0.0))
    if peak < _OVERSHOOT and np.any(lengths >= _FULL_SCALE_RUN):
        return int(np.sum(at_rail))
    changes = np.abs(np.diff(sound))
    quantum = float(np.min(changes[changes > 1e-9], initial=np.inf))
    if peak < _LEAST_QUANTA * quantum:
        return 0
    flat = 0
    # Each polarity by itself: the two limits of an input differ.
    for signed in (sound, -sound):
        top = float(signed.max(initial=0.0))
        if top <= _FLAT_LEAST * peak:
            continue
        starts, lengths = _runs(signed == top)
        steps = top - signed[np.maximum(starts - 1, 0)]
        if np.any((lengths >= _FLAT_RUN) & (steps > _FLAT_STEP * top)):
            flat += int(np.sum(lengths))
    return flat


def _runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """First index and length of each run of true values."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int64), [0]]))
    starts = np.flatnonzero(edges == 1).astype(np.int64)
    return starts, np.flatnonzero(edges == -1).astype(np.int64) - starts
