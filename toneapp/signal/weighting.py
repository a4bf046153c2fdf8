"""How do the standard frequency and time weightings treat a sound?

A-weighting (IEC 61672-1) and K-weighting (ITU-R BS.1770) are given as complex responses over
frequency and are applied to Fourier transforms. So they hold at any sampling rate: nothing is
bent near half the sampling rate, as digital filters made for one rate are at another.

Conventions: frequencies in Hz; responses are dimensionless; levels are 10 log10 of a mean square.

Functions: `a_weighting_response`, `a_weighting_db`, `k_weighting_response`, `k_weighting_db`,
`apply_response`, `fast_level`.

References
----------
.. [1] IEC 61672-1:2013, Electroacoustics - Sound level meters - Part 1, clauses 5.5 and 5.8,
   Annex E.
.. [2] Recommendation ITU-R BS.1770-4 (2015), Annex 1, Tables 1 and 2.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike

from toneapp._typing import ComplexArray, FloatArray

__all__ = [
    "FAST_TIME_S",
    "a_weighting_db",
    "a_weighting_response",
    "apply_response",
    "fast_level",
    "k_weighting_db",
    "k_weighting_response",
]

FAST_TIME_S = 0.125
"""Time constant of the time weighting F in s (IEC 61672-1, 5.8)."""

# Pole frequencies of the A-weighting in Hz (IEC 61672-1, Annex E; values from memory, checked
# against Table 3 in the tests).
_A_F1_HZ = 20.598997
_A_F2_HZ = 107.65265
_A_F3_HZ = 737.86223
_A_F4_HZ = 12194.217
_A_UNITY_HZ = 1000.0

# BS.1770-4 Annex 1: the shelf of Table 1 and the high-pass of Table 2, for 48 kHz.
_K_RATE_HZ = 48_000.0
_K_SHELF_B = (1.53512485958697, -2.69169618940638, 1.19839281085285)
_K_SHELF_A = (1.0, -1.69065929318241, 0.73248077421585)
_K_HIGHPASS_B = (1.0, -2.0, 1.0)
_K_HIGHPASS_A = (1.0, -1.99004745483398, 0.99007225036621)

_SETTLE_S = 0.2
"""Silence in s appended before transforming: the slowest pole of both curves (20.6 Hz) has fallen
by 200 dB within it."""


def a_weighting_response(frequency_hz: ArrayLike) -> ComplexArray:
    """Complex response of the A-weighting, 1 in modulus at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like, shape (k,)
        Frequencies in Hz, >= 0.

    Returns
    -------
    ndarray of complex, shape (k,)
        Response of the analogue network with two zeros each at two double poles [1]_.

    References
    ----------
    .. [1] IEC 61672-1:2013, Annex E.
    """
    s = np.asarray(1j * np.asarray(frequency_hz, dtype=np.float64), dtype=np.complex128)
    return np.asarray(_a_network(s) / abs(complex(_a_network(np.asarray(1j * _A_UNITY_HZ)))))


def _a_network(s: ComplexArray) -> ComplexArray:
    """Poles and zeros of the A-weighting, in Hz instead of rad/s, without its constant."""
    low = (s / (s + _A_F1_HZ)) ** 2
    middle = s**2 / ((s + _A_F2_HZ) * (s + _A_F3_HZ))
    return np.asarray(low * middle * (_A_F4_HZ / (s + _A_F4_HZ)) ** 2)


def a_weighting_db(frequency_hz: ArrayLike) -> FloatArray:
    """A-weighting in dB.

    Parameters
    ----------
    frequency_hz : array_like, shape (k,)
        Frequencies in Hz, > 0.

    Returns
    -------
    ndarray, shape (k,)
        Weighting in dB, 0 at 1 kHz.

    Examples
    --------
    >>> a_weighting_db([100.0, 1000.0]).round(1).tolist()
    [-19.1, 0.0]
    """
    return np.asarray(20.0 * np.log10(np.abs(a_weighting_response(frequency_hz))))


def k_weighting_response(frequency_hz: ArrayLike) -> ComplexArray:
    """Complex response of the K-weighting.

    Parameters
    ----------
    frequency_hz : array_like, shape (k,)
        Frequencies in Hz, >= 0.

    Returns
    -------
    ndarray of complex, shape (k,)
        Response of the two filters of the recommendation [1]_ at 48 kHz.

    Notes
    -----
    The recommendation asks implementations at other rates for the response that its filters have
    at 48 kHz; taking that response at the frequency itself is exactly this. Above 24 kHz, of
    which it says nothing, the value at 24 kHz is kept.

    References
    ----------
    .. [1] ITU-R BS.1770-4, Annex 1, Tables 1 and 2.
    """
    frequency = np.minimum(np.asarray(frequency_hz, dtype=np.float64), 0.5 * _K_RATE_HZ)
    z1 = np.exp(-2j * np.pi * frequency / _K_RATE_HZ)
    response = np.ones_like(z1)
    for b, a in ((_K_SHELF_B, _K_SHELF_A), (_K_HIGHPASS_B, _K_HIGHPASS_A)):
        response *= (b[0] + z1 * (b[1] + z1 * b[2])) / (a[0] + z1 * (a[1] + z1 * a[2]))
    return np.asarray(response)


def k_weighting_db(frequency_hz: ArrayLike) -> FloatArray:
    """K-weighting in dB.

    Parameters
    ----------
    frequency_hz : array_like, shape (k,)
        Frequencies in Hz, > 0.

    Returns
    -------
    ndarray, shape (k,)
        Weighting in dB, +0.69 at 997 Hz.

    Examples
    --------
    >>> k_weighting_db([997.0]).round(2).tolist()
    [0.69]
    """
    return np.asarray(20.0 * np.log10(np.abs(k_weighting_response(frequency_hz))))


def apply_response(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    response: Callable[[FloatArray], ComplexArray],
) -> FloatArray:
    """Filter a sound with a response given over frequency.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.
    response : callable
        Complex response at an array of frequencies in Hz, such as `a_weighting_response`.

    Returns
    -------
    ndarray, shape (n,)
        The filtered sound.
    """
    size = scipy.fft.next_fast_len(samples.size + int(_SETTLE_S * sample_rate_hz), real=True)
    bins = scipy.fft.rfft(samples, n=size) * _on_bins(response, size, sample_rate_hz)
    return np.asarray(scipy.fft.irfft(bins, n=size)[: samples.size])


@lru_cache(maxsize=8)
def _on_bins(
    response: Callable[[FloatArray], ComplexArray], size: int, sample_rate_hz: float
) -> ComplexArray:
    """Response at the bins of a transform, worked out once for each length."""
    return response(scipy.fft.rfftfreq(size, 1.0 / sample_rate_hz))


def fast_level(
    samples: FloatArray, *, sample_rate_hz: float, time_constant_s: float = FAST_TIME_S
) -> FloatArray:
    """Exponentially averaged square of a sound, as a sound level meter shows it.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound, already weighted over frequency.
    sample_rate_hz : float
        Sampling rate in Hz.
    time_constant_s : float
        Time constant in s; 0.125 for the weighting F, 1 for S.

    Returns
    -------
    ndarray, shape (n,)
        Mean square at each sample, starting from silence.

    Notes
    -----
    After the end of a sound it falls by 34.7 dB/s with F: anything that decays faster, such as a
    damped string, cannot be read from it.

    References
    ----------
    .. [1] IEC 61672-1:2013, clause 5.8.
    """
    from scipy.signal import lfilter

    kept = float(np.exp(-1.0 / (time_constant_s * sample_rate_hz)))
    return np.asarray(lfilter([1.0 - kept], [1.0, -kept], samples**2), dtype=np.float64)
