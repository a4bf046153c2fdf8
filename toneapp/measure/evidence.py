"""Which note was struck? Evidence for every key, from the sound just after an onset.

The spectrum of the first third of a second is set against that of the moment before, so that
notes that were sounding already do not count. What has risen is compared with the stiff-string
series of every key: a key is supported by the share of the peaks it explains and weakened by
partials that ought to be there and are not.

Functions: `gather_evidence`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from toneapp._typing import Float32Array, FloatArray, IntArray
from toneapp.measure.stiff_string import typical_inharmonicity
from toneapp.pitch import midi_to_hz
from toneapp.signal.peaks import (
    amplitude_spectrum,
    find_peaks,
    hann_window,
    local_floor,
    peak_strengths,
)

__all__ = ["LOWEST_KEY", "PITCH_GRID", "PITCH_STEP", "StrikeEvidence", "gather_evidence"]

LOWEST_KEY = 18
_HIGHEST_KEY = 112
PITCH_STEP = 0.1
"""Grid of pitches in semitones; a tenth is finer than any two strings of a run differ in doubt."""

PITCH_GRID = np.round(np.arange(LOWEST_KEY, _HIGHEST_KEY + PITCH_STEP / 2, PITCH_STEP), 6)

LONG_S = 0.42
SHORT_S = 0.13
SHORT_FROM_MIDI = 84
"""Lengths of sound used; the short one serves the two top octaves, which die quickly."""

NEW_DB = 10.0
"""A line that rose by so much was not there before; one that beats mostly rises by less."""

_DAMPED_DB = -18.0
_DAMPED_STEADINESS = 0.55
"""A line that falls so much within a fifth of a second was damped, or has glided away."""

_LOG_STEP_CENTS = 6.0
_LOWEST_HZ = 24.0
_PEAK_WIDTH_CENTS = 14.0
_PARTIALS = 40
_EXPECTED_PARTIALS = 12
"""Partials that can explain a peak (a bright bass note has more), and those that are missed when
they are not there."""

_SPREADS = np.exp(np.array([-0.9, -0.45, 0.0, 0.45, 0.9]))
"""Inharmonicity is tried from 0.4 to 2.5 times the typical one."""

_MISSING_WEIGHT = 0.55
"""Set so that the octave above (half the strength unexplained) and the octave below (half the
partials missing) lose about equally."""

_SKIPPING = (2, 3)
_SKIPPED_SHARE = 0.2
_SKIPPING_PENALTY = 0.15
"""A pitch whose explained peaks are nearly all every second or third partial is that of another
key an octave, or an octave and a fifth, below: no string sounds with such gaps. Below this share
of the strength in the partials between, a pitch loses up to so much."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrikeEvidence:
    """How well each pitch explains what rose at an onset."""

    support: FloatArray  # shape (grid,), about 1 for a perfect fit, <= 0 for none
    peak_count: int  # peaks that rose
    loudest_db: float  # strongest of them above the floor
    rise_db: float  # power after against power before
    steadiness: float  # 0 to 1: share of the strength in lines that stay put and do not grow
    new_count: int = 0  # peaks that were not there before


def gather_evidence(
    samples: FloatArray | Float32Array,
    *,
    sample_rate_hz: float,
    onset_s: float,
    before_s: float,
    after_s: float,
) -> StrikeEvidence:
    """Evidence for every pitch at one onset.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s : float
        Onset in s from the first sample.
    before_s, after_s : float
        How far the sound before and after may be used: up to the neighbouring onsets.

    Returns
    -------
    StrikeEvidence
        Support on `PITCH_GRID`.
    """
    rate = sample_rate_hz
    long = _rise_peaks(
        samples, rate=rate, onset_s=onset_s, before_s=before_s, after_s=after_s, most_s=LONG_S
    )
    short = _rise_peaks(
        samples, rate=rate, onset_s=onset_s, before_s=before_s, after_s=after_s, most_s=SHORT_S
    )
    top_hz = 0.46 * rate
    support = _support(long, top_hz=top_hz)
    # The top notes have died before the long stretch is over; low notes need its resolution.
    high = slice(int(np.searchsorted(PITCH_GRID, SHORT_FROM_MIDI)), None)
    support[high] = np.maximum(support[high], _support(short, top_hz=top_hz, pitches=high))
    first = int((onset_s + 0.012) * rate)
    width = int(0.12 * rate)
    rise = 10.0 * np.log10(
        (_power(_stretch(samples, first, width)) + 1e-16)
        / (_power(_stretch(samples, int((onset_s - 0.006) * rate) - width, width)) + 1e-16)
    )
    steady = _steadiness(samples, long, rate=rate, onset_s=onset_s, after_s=after_s)
    return StrikeEvidence(
        support=support,
        peak_count=int(long.hz.size),
        loudest_db=float(
            max(long.above_floor_db.max(initial=0.0), short.above_floor_db.max(initial=0.0))
        ),
        rise_db=float(rise),
        steadiness=steady,
        new_count=long.new_count,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _RisePeaks:
    """Peaks that rose at an onset."""

    hz: FloatArray
    amplitude: FloatArray
    above_floor_db: FloatArray
    strength: FloatArray
    lobe_hz: float
    new_count: int  # of them, those that were not there before


def _rise_peaks(
    samples: FloatArray | Float32Array,
    *,
    rate: float,
    onset_s: float,
    before_s: float,
    after_s: float,
    most_s: float,
) -> _RisePeaks:
    """Peaks after the onset that were not there before it."""
    length_s = float(np.clip(after_s - 0.015, 0.06, most_s))
    first = int((onset_s + 0.012) * rate)
    length = int(length_s * rate)
    after = _stretch(samples, first, length)
    before = _stretch(samples, int((onset_s - 0.006) * rate) - length, length)
    spectrum = amplitude_spectrum(after, sample_rate_hz=rate)
    floor = local_floor(spectrum, width_hz=150.0)
    peaks = find_peaks(spectrum, floor=floor, least_above_db=10.0)
    old = _amplitude_before(before, valid_s=before_s, rate=rate)
    index = np.minimum((peaks.hz / spectrum.bin_hz + 0.5).astype(np.int64), old.size - 1)
    fresh = peaks.amplitude**2 - 1.5 * old[index] ** 2
    keep = (fresh > 0) & (peaks.hz > _LOWEST_HZ) & (peaks.hz < min(0.46 * rate, 14500.0))
    new = 10.0 ** (NEW_DB / 20.0)
    amplitude = np.sqrt(fresh[keep])
    above = peaks.above_floor_db[keep]
    hz = peaks.hz[keep]
    return _RisePeaks(
        hz=hz,
        amplitude=amplitude,
        above_floor_db=above,
        strength=peak_strengths(hz, amplitude, above),
        lobe_hz=spectrum.main_lobe_hz,
        new_count=int(np.count_nonzero(keep & (peaks.amplitude > new * old[index]))),
    )


def _amplitude_before(before: FloatArray, *, valid_s: float, rate: float) -> FloatArray:
    """Amplitudes of what sounded before, from the part of the stretch behind an earlier onset."""
    length = before.size
    skipped = max(0, length - int(min(valid_s, length / rate) * rate))
    if skipped > 0.9 * length:
        return np.zeros(length)
    kept = before.copy()
    kept[:skipped] = 0.0
    old = amplitude_spectrum(kept, sample_rate_hz=rate).amplitude
    window = hann_window(length)
    share = window[skipped:].sum() / window.sum()
    old = np.maximum(old, np.maximum(np.roll(old, 1), np.roll(old, -1)))
    return np.asarray(old / max(share, 0.05))


def _stretch(samples: FloatArray | Float32Array, first: int, length: int) -> FloatArray:
    """Cut a stretch, with silence where there is no sound."""
    out = np.zeros(length)
    low, high = max(first, 0), min(first + length, samples.size)
    if high > low:
        out[low - first : high - first] = samples[low:high]
    return out


def _power(stretch: FloatArray) -> float:
    """Mean square."""
    return float(np.mean(stretch**2))


@lru_cache(maxsize=4)
def _series_index(top_hz: float) -> tuple[IntArray, FloatArray]:
    """Grid index of every partial of every pitch and spread of B, and the partials' weights."""
    n = np.arange(1, _PARTIALS + 1, dtype=np.float64)
    f1 = midi_to_hz(PITCH_GRID)
    b = typical_inharmonicity(PITCH_GRID)[:, None] * _SPREADS[None, :]
    stretch = np.sqrt((1.0 + b[:, :, None] * n**2) / (1.0 + b[:, :, None]))
    hz = f1[:, None, None] * n * stretch
    index = np.round(1200.0 * np.log2(hz / _LOWEST_HZ) / _LOG_STEP_CENTS).astype(np.int64)
    # The lowest partials of the bass are weak on every piano; the higher ones count less.
    weight = 1.0 / np.sqrt(n)[None, :] * np.clip(hz[:, 2, :] / 70.0, 0.15, 1.0)
    weight = np.where(
        (hz[:, 2, :] < min(top_hz, 14000.0)) & (n <= _EXPECTED_PARTIALS), weight, 0.0
    )
    return index, weight


@lru_cache(maxsize=1)
def _share_by_design() -> FloatArray:
    """Say how much a peak counts that a partial explains.

    The closer the partials lie, the more peaks fall on them by chance.
    """
    n = np.arange(1, _PARTIALS + 1, dtype=np.float64)
    by_chance = 2.0 * _PEAK_WIDTH_CENTS * n / 1731.0
    return np.where(n <= _EXPECTED_PARTIALS, 1.0, np.maximum(1.0 - by_chance, 0.0) ** 2)


def _support(peaks: _RisePeaks, *, top_hz: float, pitches: slice = slice(None)) -> FloatArray:
    """Share of the strength that each pitch explains, less what is missing of its series."""
    if peaks.hz.size == 0:
        return np.full(PITCH_GRID[pitches].size, -1.0)
    strength, lobe_hz = peaks.strength, peaks.lobe_hz
    index, weight = (part[pitches] for part in _series_index(round(top_hz, -2)))
    size = int(index.max()) + 40
    field = np.zeros(size)
    place = 1200.0 * np.log2(peaks.hz / _LOWEST_HZ) / _LOG_STEP_CENTS
    width = np.maximum(_PEAK_WIDTH_CENTS, 1731.0 * 0.16 * lobe_hz / peaks.hz) / _LOG_STEP_CENTS
    reach = int(min(np.ceil(3.0 * width.max()), 200))
    offsets = np.arange(-reach, reach + 1)
    at = np.round(place).astype(np.int64)[:, None] + offsets[None, :]
    value = strength[:, None] * np.exp(-0.5 * ((at - place[:, None]) / width[:, None]) ** 2)
    inside = (at >= 0) & (at < size)
    np.maximum.at(field, at[inside], value[inside])
    heard = field[np.minimum(index, size - 1)]
    # Explained: every partial takes the peaks near it once; missing: weighted share of the low
    # partials with nothing near, measured against a typical strength of this sound.
    by_partial = heard * _share_by_design()
    explained = by_partial.sum(axis=2) / strength.sum()
    typical = float(np.sort(strength)[-min(strength.size, 6) :].mean())
    present = np.minimum(heard / (0.35 * typical), 1.0)
    missing = ((1.0 - present) * weight[:, None, :]).sum(axis=2) / np.maximum(
        weight.sum(axis=1), 1e-9
    )[:, None]
    fit = np.minimum(explained, 1.0) - _MISSING_WEIGHT * missing
    return np.asarray(np.max(fit - _SKIPPING_PENALTY * _skipping(by_partial), axis=1))


def _skipping(by_partial: FloatArray) -> FloatArray:
    """Say how plainly only every second or third partial is there, 0 to 1."""
    total = np.maximum(by_partial.sum(axis=2), 1e-9)
    worst = np.zeros(total.shape)
    for every in _SKIPPING:
        between = 1.0 - by_partial[:, :, every - 1 :: every].sum(axis=2) / total
        worst = np.maximum(worst, np.clip(1.0 - between / _SKIPPED_SHARE, 0.0, 1.0))
    return worst


def _steadiness(
    samples: FloatArray | Float32Array,
    peaks: _RisePeaks,
    *,
    rate: float,
    onset_s: float,
    after_s: float,
) -> float:
    """Share of the strength in lines that keep their pitch and do not grow.

    A struck string's partials stay within a few cents and fall; a voice glides and swells.
    """
    if peaks.hz.size == 0:
        return 0.0
    half = int(0.5 * float(np.clip(after_s - 0.015, 0.06, LONG_S)) * rate)
    first = int((onset_s + 0.012) * rate)
    early = amplitude_spectrum(_stretch(samples, first, half), sample_rate_hz=rate)
    late = amplitude_spectrum(_stretch(samples, first + half, half), sample_rate_hz=rate)
    most = np.argsort(peaks.strength)[-8:]
    good = 0.0
    for hz, strength in zip(peaks.hz[most], peaks.strength[most], strict=True):
        a, b = (
            _near_peak(part.amplitude, part.bin_hz, hz, part.main_lobe_hz)
            for part in (early, late)
        )
        if a is None or b is None:
            continue
        tolerance = max(0.1 * early.main_lobe_hz, hz * 0.0045)
        held = float(np.exp(-0.5 * ((a[0] - b[0]) / tolerance) ** 2))
        grown_db = 20.0 * np.log10(max(b[1], 1e-12) / max(a[1], 1e-12))
        if grown_db < _DAMPED_DB:
            # Let go already: there is no late line to compare with.
            held = max(held, _DAMPED_STEADINESS)
        good += float(strength) * held * (1.0 if grown_db < 2.5 else 0.3)
    return good / float(peaks.strength[most].sum())


def _near_peak(
    amplitude: FloatArray, bin_hz: float, hz: float, lobe_hz: float
) -> tuple[float, float] | None:
    """Highest bin near a frequency, with its interpolated place; None at the edges."""
    low = int(max(1, (hz - 0.6 * lobe_hz) / bin_hz))
    high = int(min(amplitude.size - 1, (hz + 0.6 * lobe_hz) / bin_hz + 2))
    if high - low < 2:
        return None
    top = low + int(np.argmax(amplitude[low:high]))
    left, middle, right = np.log(np.maximum(amplitude[top - 1 : top + 2], 1e-300))
    bend = left - 2 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return (top + float(np.clip(shift, -0.5, 0.5))) * bin_hz, float(amplitude[top])
