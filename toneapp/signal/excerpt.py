"""Which samples belong to a stretch of sound, and what is their power spectrum?

Conventions: mono samples with full scale 1, times in seconds from the first sample. Powers are
mean squares, so a sinusoid of amplitude 1 has the power 0.5 (-3.01 dB).

Functions: `checked_sound`, `cut_excerpt`, `excerpt_spectrum`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike

from toneapp._typing import FloatArray

__all__ = ["Excerpt", "ExcerptSpectrum", "checked_sound", "cut_excerpt", "excerpt_spectrum"]

LOWEST_RATE_HZ = 4_000.0
HIGHEST_RATE_HZ = 768_000.0
"""Rates outside are taken for a slip of the caller; files are refused earlier."""

_PAD_S = 0.1
"""Silence in s behind an excerpt, so that responses as short as those of the weighting curves do
not wrap round."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Excerpt:
    """Samples of one stretch, faded at both ends."""

    samples: FloatArray  # shape (n,), zero where the recording holds nothing
    window_energy: float  # sum of the squared fades over samples that exist
    covered_s: float  # length of what the recording holds from `start_s` on
    sample_rate_hz: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExcerptSpectrum:
    """One-sided power spectrum whose sum is the mean square of the excerpt."""

    frequency_hz: FloatArray  # shape (k,)
    power: FloatArray  # shape (k,), per bin


def checked_sound(samples: ArrayLike, *, sample_rate_hz: float) -> FloatArray:
    """Samples as float64, or a message that says what is wrong with them.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    ndarray, shape (n,)
        The same samples.

    Raises
    ------
    ValueError
        If there is more than one channel, a value that is not finite, or an unlikely rate.
    """
    sound = np.asarray(samples, dtype=np.float64)
    if sound.ndim != 1:
        raise ValueError(f"expected mono samples of shape (n,), got {sound.shape}")
    if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
        raise ValueError(
            f"expected a sampling rate of {LOWEST_RATE_HZ:.0f} to {HIGHEST_RATE_HZ:.0f} Hz, "
            f"got {sample_rate_hz} (was this kHz?)"
        )
    if not np.all(np.isfinite(sound)):
        raise ValueError("samples must be finite, got NaN or infinity")
    return sound


def cut_excerpt(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    start_s: float,
    duration_s: float,
    lead_in_s: float = 0.0,
    fade_out_s: float = 0.0,
    end_s: float | None = None,
) -> Excerpt:
    """Cut a stretch of fixed length out of a recording.

    Parameters
    ----------
    samples : ndarray, shape (m,)
        The recording.
    sample_rate_hz : float
        Sampling rate in Hz.
    start_s, duration_s : float
        The stretch that counts.
    lead_in_s : float
        Sound before `start_s` that is faded in over this time.
    fade_out_s : float
        Length of the fade at the end, inside `duration_s`. It keeps the step at the end from
        spilling a bass note's strong partials into the treble bands.
    end_s : float, optional
        Nothing after this time is used (the next strike).

    Returns
    -------
    Excerpt
        ``round((lead_in_s + duration_s) * sample_rate_hz)`` samples.
    """
    size = round((lead_in_s + duration_s) * sample_rate_hz)
    first = round((start_s - lead_in_s) * sample_rate_hz)
    last = samples.size
    if end_s is not None:
        last = min(last, round(end_s * sample_rate_hz))
    begin, stop = max(first, 0), max(min(last, first + size), 0)
    cut = np.zeros(size)
    window = np.zeros(size)
    if stop > begin:
        kept = slice(begin - first, stop - first)
        cut[kept] = samples[begin:stop]
        window[kept] = 1.0
        lead = round(lead_in_s * sample_rate_hz)
        if lead:
            window[:lead] *= np.sin(0.5 * np.pi * (np.arange(lead) + 0.5) / lead)
        # The fade ends where the sound ends, so that a short strike has no step either.
        tail = min(round(fade_out_s * sample_rate_hz), stop - begin)
        if tail:
            fade = np.cos(0.5 * np.pi * (np.arange(tail) + 0.5) / tail)
            window[stop - first - tail : stop - first] *= fade
    return Excerpt(
        samples=cut * window,
        window_energy=float(np.sum(window**2)),
        covered_s=max(stop / sample_rate_hz - start_s, 0.0),
        sample_rate_hz=float(sample_rate_hz),
    )


def excerpt_spectrum(excerpt: Excerpt) -> ExcerptSpectrum:
    """Power spectrum of an excerpt, corrected for its fades.

    Parameters
    ----------
    excerpt : Excerpt
        The sound; its `window_energy` must be positive.

    Returns
    -------
    ExcerptSpectrum
        By Parseval's theorem its sum is the mean square of the sound under the fades.
    """
    size = scipy.fft.next_fast_len(
        excerpt.samples.size + int(_PAD_S * excerpt.sample_rate_hz), real=True
    )
    bins = scipy.fft.rfft(excerpt.samples, n=size)
    power = (bins.real**2 + bins.imag**2) * (2.0 / (size * excerpt.window_energy))
    power[0] *= 0.5
    if size % 2 == 0:
        power[-1] *= 0.5
    return ExcerptSpectrum(
        frequency_hz=scipy.fft.rfftfreq(size, 1.0 / excerpt.sample_rate_hz), power=power
    )
