"""What is known of one line after a release, and where are the peaks it may be found at?

Functions: `ring_peaks`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.fft

from toneapp._typing import BoolArray, FloatArray
from toneapp.signal.peaks import PeakList, Spectrum, find_peaks, local_floor

__all__ = ["AFTER_RELEASE_S", "LOWEST_DB", "RingLine", "level_db", "ring_peaks"]

AFTER_RELEASE_S = 0.10
"""Levels are given for this time after the release: the damper has come to rest by then."""

FADE_IN_S = 0.04
LOWEST_DB = -66.0
LOWEST_HZ = 45.0
HIGHEST_HZ = 9000.0
MOST_LINES = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class RingLine:
    """A decaying line after the release."""

    hz: float
    hz_se: float
    level_db: float  # 0.1 s after the release, re the struck note's peak level
    t60_s: float
    t60_s_se: float
    above_db: float  # over the spectrum around it
    is_clean: bool = False  # one decaying sinusoid, found alike in two stretches of the sound


def level_db(amplitude: FloatArray, reference: float) -> FloatArray:
    """Level of sinusoids in dB relative to a mean square."""
    power = 10.0 * np.log10(np.maximum(0.5 * amplitude**2, 1e-30))
    return np.asarray(power - 10.0 * np.log10(reference))


def ring_peaks(
    part: FloatArray,
    *,
    sample_rate_hz: float,
    reference: float,
    noise_density: Callable[[FloatArray], FloatArray],
    least_above_db: float,
) -> PeakList:
    """Find the peaks of what sounds after a release.

    Parameters
    ----------
    part : ndarray, shape (n,)
        Mono sound after the release.
    sample_rate_hz : float
        Sampling rate in Hz.
    reference : float
        Mean square of the struck note's peak level.
    noise_density : callable
        Room noise in mean square per Hz at given frequencies.
    least_above_db : float
        A peak stands at least this far above its surroundings and the noise, in dB.

    Returns
    -------
    PeakList
        The 48 strongest peaks between 45 Hz and 9 kHz, upward in frequency, without side lobes.
    """
    spectrum = _decaying_spectrum(part, sample_rate_hz=sample_rate_hz)
    bins_hz = np.asarray(np.arange(spectrum.amplitude.size) * spectrum.bin_hz, dtype=np.float64)
    noise = np.sqrt(2.0 * noise_density(bins_hz) * 0.75 * spectrum.main_lobe_hz)
    floor = np.maximum(local_floor(spectrum), noise)
    peaks = find_peaks(spectrum, floor=floor, least_above_db=least_above_db)
    level = level_db(peaks.amplitude, reference)
    keep = (
        (level > LOWEST_DB - 6.0)
        & (peaks.hz > LOWEST_HZ)
        & (peaks.hz < min(0.45 * sample_rate_hz, HIGHEST_HZ))
    )
    keep &= ~_skirts(peaks.hz, level, lobe_hz=spectrum.main_lobe_hz)
    index = np.flatnonzero(keep)
    index = np.sort(index[np.argsort(level[index])[::-1][:MOST_LINES]])
    return PeakList(
        hz=peaks.hz[index],
        amplitude=peaks.amplitude[index],
        above_floor_db=peaks.above_floor_db[index],
    )


def _decaying_spectrum(part: FloatArray, *, sample_rate_hz: float) -> Spectrum:
    """Amplitude spectrum through a window that rises quickly and falls slowly."""
    n = part.size
    rise = min(int(FADE_IN_S * sample_rate_hz), n // 3)
    window = np.ones(n)
    window[:rise] = np.sin(0.5 * np.pi * (np.arange(rise) + 0.5) / rise) ** 2
    window[rise:] = np.cos(0.5 * np.pi * (np.arange(n - rise) + 0.5) / (n - rise)) ** 2
    size = scipy.fft.next_fast_len(2 * n, real=True)
    amplitude = np.abs(scipy.fft.rfft(part * window, n=size)) * (2.0 / window.sum())
    return Spectrum(
        amplitude=amplitude,
        bin_hz=sample_rate_hz / size,
        main_lobe_hz=2.0 * sample_rate_hz / n,
    )


def _skirts(hz: FloatArray, level: FloatArray, *, lobe_hz: float) -> BoolArray:
    """Mark peaks that are side lobes of a much stronger neighbour."""
    skirt = np.zeros(hz.size, dtype=np.bool_)
    for i in np.argsort(level)[::-1][:MOST_LINES]:
        if skirt[i]:
            continue
        distance = np.abs(hz - hz[i]) / lobe_hz
        # Side lobes of the window fall at about 18 dB an octave from 20 dB at the main lobe.
        allowed = level[i] - 20.0 - 18.0 * np.log2(np.maximum(distance, 1.0))
        skirt |= (distance > 0) & (distance < 12.0) & (level < allowed)
        skirt |= (distance > 0) & (distance < 0.75) & (level < level[i])
    return skirt
