"""Which decaying sinusoids add up to a short stretch of a narrow band?

A spectrum of a second cannot part two lines two hertz apart when one is much weaker; that each is
an exponential can. The matrix pencil reads the frequencies and decays from the shifts between
delayed copies of the signal.

Functions: `decaying_sinusoids`.

References
----------
.. [1] Y. Hua, T. K. Sarkar, "Matrix pencil method for estimating parameters of exponentially
   damped/undamped sinusoids in noise", IEEE Trans. Acoust. Speech Signal Process. 38, 814 (1990).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray

__all__ = ["DecayingSinusoids", "decaying_sinusoids"]

LEAST_SAMPLES = 10
RANGE_DB = 40.0
NOISE_FACTOR = 1.5
"""Singular values this far below the largest, or below this many times what the noise makes, are
left out."""

FASTEST = 1e-2
SLOWEST_GROWTH = 1.05
"""Moduli per sample outside these bounds are no decay of the band, but its edges."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecayingSinusoids:
    """``sum(amplitude exp((-rate + 2 pi i hz) t + i phase))``; k entries, in no order."""

    hz: FloatArray  # relative to the middle of the band
    rate_per_s: FloatArray  # decay of the amplitude; negative for growth
    amplitude: FloatArray  # at the first sample


def decaying_sinusoids(
    envelope: ComplexArray, *, rate_hz: float, noise_power: float, most: int = 6
) -> DecayingSinusoids:
    """Take a complex envelope apart into decaying sinusoids.

    Parameters
    ----------
    envelope : ndarray, shape (n,)
        Complex envelope of one band, evenly sampled.
    rate_hz : float
        Samples per second.
    noise_power : float
        Mean square of the noise in the envelope, >= 0.
    most : int
        Largest number of sinusoids.

    Returns
    -------
    DecayingSinusoids
        Empty when there are fewer than ten samples, or nothing but noise.
    """
    n = envelope.size
    none = np.zeros(0)
    if n < LEAST_SAMPLES:
        return DecayingSinusoids(hz=none, rate_per_s=none, amplitude=none)
    rows = np.lib.stride_tricks.sliding_window_view(envelope, n // 2 + 1)
    _, strength, basis = np.linalg.svd(rows, full_matrices=False)
    # The largest singular value of a random matrix is near the sum of the roots of its sides.
    noise = np.sqrt(noise_power) * (np.sqrt(rows.shape[0]) + np.sqrt(rows.shape[1]))
    least = max(float(strength[0]) * 10.0 ** (-RANGE_DB / 20.0), NOISE_FACTOR * float(noise))
    count = min(most, n // 3, int(np.count_nonzero(strength > least)))
    if count == 0:
        return DecayingSinusoids(hz=none, rate_per_s=none, amplitude=none)
    space = basis[:count].conj().T
    shift = np.linalg.lstsq(space[:-1], space[1:], rcond=None)[0]
    poles = np.linalg.eigvals(shift).conj()
    size = np.abs(poles)
    poles = poles[(size > FASTEST) & (size < SLOWEST_GROWTH)]
    waves = poles[None, :] ** np.arange(n)[:, None]
    amplitude = np.abs(np.linalg.lstsq(waves, envelope, rcond=None)[0])
    return DecayingSinusoids(
        hz=np.asarray(np.angle(poles) * rate_hz / (2.0 * np.pi)),
        rate_per_s=np.asarray(-np.log(np.abs(poles)) * rate_hz),
        amplitude=np.asarray(amplitude),
    )
