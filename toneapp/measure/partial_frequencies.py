"""How high is each partial of a held tone, measured in a band of its own?

Functions: `measure_partials`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.signal.bands import BandSet

__all__ = ["PartialFrequencies", "measure_partials"]

LINE_CENTS = 4.0
"""Half-width within which the lines of a unison are averaged. Over six blow layers of a real
grand f1 repeated best so, in the bass (single lines) and in the middle (three strings)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartialFrequencies:
    """Frequencies of partials measured in their bands."""

    n: IntArray  # shape (k,)
    hz: FloatArray  # shape (k,), mean over the lines of the unison, by their energy
    peak_hz: FloatArray  # shape (k,), the strongest line
    hz_se: FloatArray  # shape (k,), from the noise alone
    amplitude: FloatArray  # shape (k,), largest of the early envelope
    snr_db: FloatArray  # shape (k,), energy of the band over that of its noise


def measure_partials(
    bands: BandSet,
    *,
    n: IntArray,
    start_s: float,
    stop_s: float,
    noise_density: FloatArray,
    search_hz: float,
) -> PartialFrequencies:
    """Frequency of each partial from its band, close to the best any estimator can do.

    Parameters
    ----------
    bands : BandSet
        Bands about the expected partials; envelopes of shape (k, m).
    n : ndarray of int, shape (k,)
        Partial numbers.
    start_s, stop_s : float
        The held part of the tone within `bands`, in s.
    noise_density : ndarray, shape (k,)
        Power of the noise in a band's envelope per Hz of bandwidth.
    search_hz : float
        Half-width in Hz about the middle of the band in which the partial may lie.

    Returns
    -------
    PartialFrequencies
        Frequency with its standard error.

    Notes
    -----
    Each envelope is weighted with its own modulus, the matched window of a decaying sinusoid, and
    its spectrum's peak is the frequency; for a damped sinusoid in white noise that reaches the
    Cramer-Rao bound. The standard error is that of a phase slope weighted with the squared
    modulus.
    """
    first, last = np.searchsorted(bands.times_s, [start_s, stop_s])
    z = bands.envelopes[:, first:last]
    t = bands.times_s[first:last]
    k, m = z.shape
    size = int(2 ** np.ceil(np.log2(max(4 * m, 64))))
    noise_power = noise_density * bands.noise_bandwidth_hz
    power = np.maximum(np.abs(z) ** 2 - noise_power[:, None], 0.0)
    weighted = z * np.sqrt(power)
    spectrum = np.abs(np.fft.fftshift(np.fft.fft(weighted, size, axis=1), axes=1))
    axis_hz = (np.arange(size) - size // 2) * (bands.rate_hz / size)
    allowed = np.abs(axis_hz) <= search_hz
    masked = np.where(allowed[None, :], spectrum, 0.0)
    top = np.clip(np.argmax(masked, axis=1), 1, size - 2)
    rows = np.arange(k)
    left, peak, right = (np.log(np.maximum(spectrum[rows, top + j], 1e-300)) for j in (-1, 0, 1))
    bend = left - 2.0 * peak + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    offset_hz = axis_hz[top] + np.clip(shift, -1.0, 1.0) * (bands.rate_hz / size)
    offset_hz = _polish_peak(weighted, t, offset_hz)
    peak_hz = bands.centres_hz + offset_hz
    length_s = float(t[-1] - t[0]) if m > 1 else 1.0
    reach = np.maximum(1.5 / length_s, peak_hz * (2.0 ** (LINE_CENTS / 1200.0) - 1.0))
    distance = axis_hz[None, :] - offset_hz[:, None]
    # Trapezoid: full weight to half the reach, none beyond one and a half.
    share = spectrum**2 * np.clip(1.5 - np.abs(distance) / reach[:, None], 0.0, 1.0)
    offset_hz = offset_hz + (share * distance).sum(axis=1) / np.maximum(share.sum(axis=1), 1e-300)
    total = np.maximum(power.sum(axis=1), 1e-300)
    middle = (power * t).sum(axis=1) / total
    spread = (power * (t[None, :] - middle[:, None]) ** 2).sum(axis=1) / bands.rate_hz
    hz_se = np.sqrt(0.5 * noise_density / np.maximum(spread, 1e-300)) / (2.0 * np.pi)
    early = np.searchsorted(t, t[0] + 0.25) if t.size else 0
    loudest = np.abs(z[:, : max(early, 1)]).max(axis=1) if m else np.zeros(k)
    snr_db = 10.0 * np.log10(total / np.maximum(noise_power * m, 1e-300))
    return PartialFrequencies(
        n=n,
        hz=bands.centres_hz + offset_hz,
        peak_hz=peak_hz,
        hz_se=hz_se,
        amplitude=loudest,
        snr_db=snr_db,
    )


def _polish_peak(weighted: np.ndarray, t: FloatArray, offset_hz: FloatArray) -> FloatArray:
    """Two Newton steps to the peak of |sum w exp(-i 2 pi f t)|^2 from a good start."""
    if t.size < 2:
        return offset_hz
    u = 2.0 * np.pi * (t - t.mean())
    f = offset_hz
    for _ in range(2):
        turned = weighted * np.exp(-1j * np.outer(f, u))
        s0 = turned.sum(axis=1)
        s1 = (turned * (-1j * u)).sum(axis=1)
        s2 = (turned * (-(u**2))).sum(axis=1)
        slope = 2.0 * np.real(s1 * np.conj(s0))
        bend = 2.0 * np.real(s2 * np.conj(s0)) + 2.0 * np.abs(s1) ** 2
        step = np.where(bend < 0, -slope / np.where(bend < 0, bend, -1.0), 0.0)
        limit = 0.25 / max(float(t[-1] - t[0]), 1e-9)
        f = f + np.clip(step, -limit, limit)
    return f
