"""What does each partial do over time? Narrow bands cut out of one Fourier transform.

A strike is transformed once; the complex envelope of each partial is then the inverse transform
of the few bins around it. This costs one long transform and many very short ones, and every band
has zero phase, so that onsets and releases are not delayed.

Conventions: times in seconds from the first sample handed in; the envelope of a sinusoid of
amplitude A has the modulus A.

Functions: `transform_strike`, `extract_bands`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from toneapp._typing import ComplexArray, FloatArray

__all__ = ["BandSet", "StrikeTransform", "extract_bands", "transform_strike"]

_PAD_S = 0.15
"""Silence behind the sound in s: the widest response of a band, so that its end does not wrap
round to its start."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrikeTransform:
    """Fourier transform of the sound of one strike, zero-padded at its end."""

    bins: ComplexArray  # shape (n_bins,)
    sample_rate_hz: float
    padded_samples: int
    samples: int

    @property
    def bin_hz(self) -> float:
        """Distance of two bins in Hz."""
        return self.sample_rate_hz / self.padded_samples


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandSet:
    """Complex envelopes of several bands on one time axis."""

    times_s: FloatArray  # shape (m,)
    envelopes: ComplexArray  # shape (k, m), relative to `centres_hz`
    centres_hz: FloatArray  # shape (k,), the exact frequencies the envelopes turn against
    rate_hz: float  # envelope samples per second
    noise_bandwidth_hz: float  # of one band


def transform_strike(samples: FloatArray, *, sample_rate_hz: float) -> StrikeTransform:
    """Transform the sound of one strike.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    StrikeTransform
        The transform, padded with silence to a length that is quick to compute.
    """
    padded = scipy.fft.next_fast_len(samples.size + int(_PAD_S * sample_rate_hz), real=True)
    return StrikeTransform(
        bins=scipy.fft.rfft(samples, n=padded),
        sample_rate_hz=float(sample_rate_hz),
        padded_samples=padded,
        samples=samples.size,
    )


def extract_bands(
    transform: StrikeTransform, *, centres_hz: FloatArray, half_width_hz: float
) -> BandSet:
    """Cut complex envelopes of narrow bands out of a transform.

    Parameters
    ----------
    transform : StrikeTransform
        The sound.
    centres_hz : ndarray, shape (k,)
        Middle of each band in Hz; each is moved to the nearest bin.
    half_width_hz : float
        Distance in Hz from the middle at which a band has fallen to nothing. The band is a raised
        cosine (Hann) in frequency, so half of this is its half-width at half amplitude.

    Returns
    -------
    BandSet
        Envelopes of shape (k, m) with ``m`` about ``2 * half_width_hz`` per second of sound.
    """
    bin_hz = transform.bin_hz
    half_bins = max(4, int(np.ceil(half_width_hz / bin_hz)))
    size = scipy.fft.next_fast_len(2 * half_bins + 1)
    offsets = np.arange(-half_bins, half_bins + 1)
    window = 0.5 + 0.5 * np.cos(np.pi * offsets / (half_bins + 1))
    middle = np.round(np.asarray(centres_hz) / bin_hz).astype(np.int64)
    index = middle[:, None] + offsets[None, :]
    last = transform.bins.size - 1
    cut = np.where((index >= 1) & (index <= last), transform.bins[np.clip(index, 0, last)], 0.0)
    spectrum = np.zeros((middle.size, size), dtype=np.complex128)
    spectrum[:, offsets % size] = cut * window
    # One-sided bins hold half of a real sinusoid's amplitude, hence the factor 2.
    envelopes = scipy.fft.ifft(spectrum, axis=1) * (2.0 * size / transform.padded_samples)
    rate_hz = transform.sample_rate_hz * size / transform.padded_samples
    kept = int(np.ceil(transform.samples / transform.sample_rate_hz * rate_hz))
    return BandSet(
        times_s=np.arange(kept) / rate_hz,
        envelopes=envelopes[:, :kept],
        centres_hz=np.asarray(middle * bin_hz, dtype=np.float64),
        rate_hz=rate_hz,
        noise_bandwidth_hz=float(np.sum(window**2) * bin_hz),
    )
