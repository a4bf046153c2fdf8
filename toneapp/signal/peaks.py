"""Where are the peaks of a spectrum, and how far do they stand above what is around them?

Frequencies in Hz, amplitudes as of the sinusoid that makes the peak (a sinusoid of amplitude A
shows A at its peak).

Functions: `amplitude_spectrum`, `hann_window`, `local_floor`, `find_peaks`, `peak_strengths`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft

from toneapp._typing import FloatArray

__all__ = [
    "PeakList",
    "Spectrum",
    "amplitude_spectrum",
    "find_peaks",
    "hann_window",
    "local_floor",
    "peak_strengths",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """Amplitude spectrum of one stretch of sound."""

    amplitude: FloatArray  # shape (n_bins,)
    bin_hz: float
    main_lobe_hz: float  # half-width of the window's main lobe


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PeakList:
    """Peaks of a spectrum, upward in frequency."""

    hz: FloatArray  # shape (k,)
    amplitude: FloatArray  # shape (k,)
    above_floor_db: FloatArray  # shape (k,)


@lru_cache(maxsize=4)
def hann_window(length: int) -> FloatArray:
    """Hann window whose samples stand in the middle of their intervals, shape (length,).

    The same few lengths come again and again; the array is shared, and cannot be written.
    """
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(length) + 0.5) / length)
    window.flags.writeable = False
    return np.asarray(window)


def amplitude_spectrum(
    samples: FloatArray, *, sample_rate_hz: float, padding: float = 2.0
) -> Spectrum:
    """Amplitude spectrum through a Hann window.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.
    padding : float
        Length of the transform over the length of the sound, >= 1.

    Returns
    -------
    Spectrum
        Amplitudes from 0 Hz to half the sampling rate.
    """
    n = samples.size
    window = hann_window(n)
    size = scipy.fft.next_fast_len(int(np.ceil(padding * n)), real=True)
    # In double precision: the rounding of single precision makes peaks of its own in near silence.
    spectrum = np.abs(scipy.fft.rfft(samples * window, n=size)) * (2.0 / float(window.sum()))
    return Spectrum(
        amplitude=spectrum,
        bin_hz=float(sample_rate_hz) / size,
        main_lobe_hz=2.0 * float(sample_rate_hz) / n,
    )


def local_floor(spectrum: Spectrum, *, width_hz: float = 0.0) -> FloatArray:
    """Level between the peaks: a low quantile of the amplitudes in a neighbourhood.

    Parameters
    ----------
    spectrum : Spectrum
        Amplitude spectrum.
    width_hz : float
        Least width of the neighbourhood in Hz; it is never narrower than 16 main lobes.

    Returns
    -------
    ndarray, shape (n_bins,)
        Amplitude of the floor, > 0.
    """
    amplitude = spectrum.amplitude
    block = max(8, int(np.ceil(max(width_hz, 16.0 * spectrum.main_lobe_hz) / spectrum.bin_hz)))
    count = max(1, amplitude.size // block)
    trimmed = amplitude[: count * block].reshape(count, block)
    # The lower quartile is untouched while peaks fill less than three quarters of a block; for
    # Rayleigh-distributed noise it is 0.759 sigma, and the mean is 1.253 sigma.
    quartile = np.partition(trimmed, block // 4, axis=1)[:, block // 4] * (1.2533 / 0.7585)
    middles = (np.arange(count) + 0.5) * block
    floor = np.exp(
        np.interp(np.arange(amplitude.size), middles, np.log(np.maximum(quartile, 1e-12)))
    )
    return np.asarray(floor)


def find_peaks(
    spectrum: Spectrum, *, floor: FloatArray | None = None, least_above_db: float = 9.0
) -> PeakList:
    """Find the peaks of a spectrum.

    Parameters
    ----------
    spectrum : Spectrum
        Amplitude spectrum.
    floor : ndarray, shape (n_bins,), optional
        Amplitude of the noise; the local floor of the spectrum by default.
    least_above_db : float
        A peak stands at least this far above the floor, in dB.

    Returns
    -------
    PeakList
        Frequencies come from a parabola through the logarithms of three bins, good to about a
        hundredth of a bin for a lone peak.
    """
    a = spectrum.amplitude
    if floor is None:
        floor = local_floor(spectrum)
    if a.size < 3:
        empty = np.zeros(0)
        return PeakList(hz=empty, amplitude=empty, above_floor_db=empty)
    threshold = floor[1:-1] * 10.0 ** (least_above_db / 20.0)
    middle = a[1:-1]
    index = 1 + np.flatnonzero((middle > a[:-2]) & (middle >= a[2:]) & (middle > threshold))
    left, top, right = (np.log(np.maximum(a[index + k], 1e-300)) for k in (-1, 0, 1))
    bend = left - 2.0 * top + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    shift = np.clip(shift, -0.5, 0.5)
    height = np.exp(top - 0.25 * (left - right) * shift)
    return PeakList(
        hz=np.asarray((index + shift) * spectrum.bin_hz, dtype=np.float64),
        amplitude=height,
        above_floor_db=20.0 * np.log10(height / floor[index]),
    )


def peak_strengths(
    hz: FloatArray, amplitude: FloatArray, above_floor_db: FloatArray
) -> FloatArray:
    """Weight of each peak: its height above the floor, but little when far below the loudest.

    Below 1 kHz a peak counts for less, in proportion to its frequency, when loudness is compared:
    the blow itself excites the soundboard there, and on the top notes that is the louder part.

    Parameters
    ----------
    hz, amplitude, above_floor_db : ndarray, shape (k,)
        As in `PeakList`.

    Returns
    -------
    ndarray, shape (k,)
        Weights from 0 to 30.
    """
    if hz.size == 0:
        return np.zeros(0)
    tilted = amplitude * np.minimum(hz / 1000.0, 1.0)
    relative = 20.0 * np.log10(tilted / tilted.max())
    height = np.clip(above_floor_db - 8.0, 0.0, 30.0)
    return np.asarray(height * np.clip(1.0 + relative / 55.0, 0.02, 1.0))
