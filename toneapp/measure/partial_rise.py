"""Was the string struck? How far the partials of a named string rise at an onset.

A hammer sets every partial of its string going. The thump of a key that is let go sets none: it is
a burst over a broad band, in which the partials of strings that sound already go on as before.

Function: `measure_partial_rise`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.signal.peaks import hann_window

__all__ = ["PartialRise", "measure_partial_rise"]

WINDOW_S = 0.04
WINDOW_PERIODS = 6.0
"""Sound used on either side of the onset: short, so that a beat does not rise by much in it, and
yet six periods, so that the partials lie six bins apart."""

GUARD_S = 0.004
"""Left out on either side: an onset is good to about a millisecond, a hammer stays on the string
for one to four."""

PARTIALS = 12

STANDS_DB = 12.0
RISES_DB = 6.0
"""What stands so much above the middle of the sound around, and has risen so much, is a partial
that was set going. Of noise one bin in thirteen thousand stands 12 dB above the median amplitude
of its surroundings by chance; a line that beats rises by less than 6 dB in 40 ms unless it is at
the bottom of its beat."""

LEAST_POWER = 1e-20

RANGE_DB = 70.0
"""What lies farther below the strongest partial is a side lobe of it."""

AROUND_FROM_BINS = 2.5
AROUND_TO_BINS = 7.0
AROUND_POINTS = 5
"""Where the sound around a partial is read on either side, in bins of the window: beyond the main
lobe, and no farther than just past the middle between two partials."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartialRise:
    """What the partials of a string did at an onset."""

    rising: int  # partials that stand out after the onset and were set going by it
    fresh_db: float  # power that came to the partials, dB re full scale


def measure_partial_rise(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    f0_hz: float,
    inharmonicity: float,
) -> PartialRise:
    """Compare the partials of one string just before and just after an onset.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound around the onset.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s : float
        Onset in s from the first sample.
    f0_hz : float
        Fundamental of the string without stiffness, in Hz.
    inharmonicity : float
        Its coefficient B.

    Returns
    -------
    PartialRise
        Silence is assumed where there is no sound.
    """
    length = int(max(WINDOW_S, WINDOW_PERIODS / f0_hz) * sample_rate_hz)
    n = np.arange(1, PARTIALS + 1)
    hz = partial_frequency_hz(n, f0_hz=f0_hz, inharmonicity=inharmonicity)
    bin_hz = sample_rate_hz / length
    hz = hz[hz + AROUND_TO_BINS * bin_hz < 0.5 * sample_rate_hz]
    guard = int(GUARD_S * sample_rate_hz)
    at = int(onset_s * sample_rate_hz)
    after = _cut(samples, at + guard, length)
    before = _cut(samples, at - guard - length, length)
    heard = _power(after, hz, sample_rate_hz)
    old = _power(before, hz, sample_rate_hz)
    offsets = _offsets_hz(f0_hz / bin_hz, bin_hz)
    around = np.median(_power(after, hz[:, None] + offsets, sample_rate_hz), axis=1)
    stands = heard > 10.0 ** (STANDS_DB / 10.0) * around
    stands &= heard > 10.0 ** (-RANGE_DB / 10.0) * heard.max(initial=0.0)
    rises = heard > 10.0 ** (RISES_DB / 10.0) * old
    fresh = max(float(heard.sum() - old.sum()), LEAST_POWER)
    return PartialRise(
        rising=int(np.count_nonzero(stands & rises)),
        fresh_db=float(10.0 * np.log10(fresh)),
    )


def _offsets_hz(spacing_bins: float, bin_hz: float) -> FloatArray:
    """Where the sound around a partial is read, from the partial, in Hz."""
    farthest = float(np.clip(0.5 * spacing_bins + 0.5, AROUND_FROM_BINS + 1.0, AROUND_TO_BINS))
    side = np.linspace(AROUND_FROM_BINS, farthest, AROUND_POINTS)
    return np.concatenate([-side, side]) * bin_hz


def _cut(samples: FloatArray, first: int, length: int) -> FloatArray:
    """Cut a stretch, with silence where there is no sound."""
    out = np.zeros(length)
    low, high = max(first, 0), min(first + length, samples.size)
    if high > low:
        out[low - first : high - first] = samples[low:high]
    return out


def _power(stretch: FloatArray, hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Mean square of a sinusoid at each frequency, shape of `hz`."""
    window = hann_window(stretch.size)
    amplitude = 2.0 * np.abs(_transform(window * stretch, hz.ravel() / sample_rate_hz))
    return np.asarray(0.5 * (amplitude.reshape(hz.shape) / float(window.sum())) ** 2)


def _transform(samples: FloatArray, cycles: FloatArray) -> ComplexArray:
    """Fourier transform at any frequencies, in cycles per sample.

    The sound is cut into rows of about the square root of its length: a phasor for each place in
    a row and one for each row, rather than one for each sample.
    """
    width = math.isqrt(samples.size) + 1
    rows = -(-samples.size // width)
    padded = np.zeros(rows * width)
    padded[: samples.size] = samples
    turn = -2j * np.pi * cycles
    in_row = padded.reshape(rows, width) @ np.exp(np.arange(width)[:, None] * turn)
    return np.asarray(np.sum(in_row * np.exp(width * np.arange(rows)[:, None] * turn), axis=0))
