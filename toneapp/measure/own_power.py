"""What in a partial's band is the note's own?

A band about a partial is wide, so that it answers quickly; speech and knocks fall into it as well.
The note sounds at its partial and hardly beside it. What stands in the whole band but not in its
middle is foreign: `own_power` cuts it off.

Conventions: times in s; one row for each band; power in any linear unit.

Functions: `own_power`.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter1d

from toneapp._typing import ComplexArray, FloatArray

__all__ = ["own_power"]

LEAST_HALF_WIDTH_HZ = 8.0
HALF_WIDTH_CENTS = 16.0
"""Half-width of the middle, at which it has fallen to nothing: twice as far as the strings of a
unison lie apart, and at least so wide that it answers within 0.1 s."""

REACH = 0.75
"""The middle hears a sound this many times the inverse of its half-width before and after: so far
its loudest moment stands for what the band may hold, and no onset or release is blurred."""

MARGIN = 2.0
"""Power that the band may hold over its middle (3 dB): beats, and sounds that change quickly."""


def own_power(
    envelopes: ComplexArray, *, rate_hz: float, centres_hz: FloatArray, partial_hz: FloatArray
) -> FloatArray:
    """Power of each band over time, no more than what its middle can account for.

    Parameters
    ----------
    envelopes : ndarray of complex, shape (k, m)
        Envelopes of the bands, relative to `centres_hz`.
    rate_hz : float
        Samples of the envelopes per second.
    centres_hz, partial_hz : ndarray, shape (k,)
        Frequencies the envelopes turn against, and those of the partials in them, in Hz.

    Returns
    -------
    ndarray, shape (k, m)
        Between 0 and the squared modulus of `envelopes`.

    Notes
    -----
    The middle of each band is cut out by a raised cosine about the partial. A tone at the partial,
    held, beating, or stopped at once, comes through unchanged: the cap is the largest power of the
    middle nearby, with a margin. Speech spreads over the whole band, and what of it lies beside
    the partial is lost. Bands narrower than the middle stay as they are.
    """
    power = np.asarray(np.abs(envelopes) ** 2, dtype=np.float64)
    count, size = envelopes.shape
    half_hz = np.maximum(
        LEAST_HALF_WIDTH_HZ, partial_hz * (2.0 ** (HALF_WIDTH_CENTS / 1200.0) - 1.0)
    )
    padded = scipy.fft.next_fast_len(size + int(rate_hz / LEAST_HALF_WIDTH_HZ))
    turn_hz = scipy.fft.fftfreq(padded, 1.0 / rate_hz)
    away_hz = np.abs(turn_hz[None, :] - (partial_hz - centres_hz)[:, None])
    share = np.minimum(np.minimum(away_hz, rate_hz - away_hz) / half_hz[:, None], 1.0)
    spectrum = scipy.fft.fft(envelopes, padded, axis=1) * (0.5 + 0.5 * np.cos(np.pi * share))
    middle = np.abs(scipy.fft.ifft(spectrum, axis=1)[:, :size]) ** 2
    for row in range(count):
        reach = round(REACH / float(half_hz[row]) * rate_hz)
        most = MARGIN * maximum_filter1d(middle[row], 2 * reach + 1, mode="nearest")
        np.minimum(power[row], most, out=power[row])
    return power
