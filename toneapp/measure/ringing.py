"""What still sounds after the release? Lines that outlast damper and room.

After a release the sound holds the dying partials of the struck note, the reverberation of the
room, thumps of key and damper, and the lines of strings that are free to sound on. `find_lines`
gives every line with its frequency, level and decay; which string each belongs to is told by
`toneapp.measure.echo`, which needs the whole run.

Times in seconds from the first sample handed in; levels in dB relative to the struck note's own
peak level (its highest RMS over 50 ms).

Functions: `find_lines`, `peak_level`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.fft

from toneapp._typing import BoolArray, FloatArray
from toneapp.signal.bands import extract_bands, transform_strike
from toneapp.signal.peaks import Spectrum, find_peaks, local_floor

__all__ = ["AFTER_RELEASE_S", "LEAST_S", "RingLine", "find_lines", "peak_level"]

AFTER_RELEASE_S = 0.10
"""Levels are given for this time after the release: the damper has come to rest by then."""

LEAST_S = 0.18
LONGEST_S = 1.6
"""Shortest stretch after the release in which a line can be told from the room, and the longest
that is used."""

FADE_IN_S = 0.04
LEAST_ABOVE_DB = 11.0
"""A peak of noise stands this far above the mean once in 300 000 bins."""

LOWEST_DB = -66.0
LOWEST_HZ = 45.0
MOST_LINES = 48
BAND_HZ = 14.0
NARROWEST_BAND_HZ = 6.0
BEATING_DB = 3.0
MOST_ROUGHNESS_DB = 9.0
"""A lone line keeps to a straight fall in dB within the first (root mean square); beyond it the
strings of a unison beat, and its fall is read from the energy of its two halves. Beyond the second
it is talk."""

SLOWEST_DB_PER_S = 0.5
"""What falls more slowly than this is no string that was struck a moment ago."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RingLine:
    """A decaying line after the release."""

    hz: float
    hz_se: float
    level_db: float  # 0.1 s after the release, re the struck note's peak level
    t60_s: float
    t60_s_se: float
    above_db: float  # over the spectrum around it


def peak_level(samples: FloatArray, *, sample_rate_hz: float, onset_s: float) -> float:
    """Highest mean square over 50 ms within 0.4 s of an onset.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s : float
        Onset in s from the first sample.

    Returns
    -------
    float
        Mean square, full scale = 1.
    """
    width = max(1, int(0.05 * sample_rate_hz))
    start = int(onset_s * sample_rate_hz)
    part = samples[start : start + 8 * width]
    if part.size < width:
        return float(np.mean(part**2)) if part.size else 0.0
    total = np.concatenate([[0.0], np.cumsum(part**2)])
    return float(np.max(total[width:] - total[:-width]) / width)


def find_lines(
    samples: FloatArray,
    *,
    sample_rate_hz: float,
    onset_s: float,
    release_s: float,
    end_s: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> tuple[RingLine, ...]:
    """Find the lines that sound on after a release.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound of one strike.
    sample_rate_hz : float
        Sampling rate in Hz.
    onset_s, release_s, end_s : float
        Onset, release, and where the next sound begins, in s from the first sample.
    noise_density : callable
        Room noise in mean square per Hz at given frequencies; hum stands in it as lines.

    Returns
    -------
    tuple of RingLine
        Upward in frequency. Empty when less than 0.18 s follow the release.

    Notes
    -----
    A window with a short rise keeps what decays quickly. Each peak that stands 11 dB over its
    surroundings and over the noise is followed in a band of its own; its level over time, freed
    from noise, is fitted by a straight line in dB with weights from the noise.
    """
    first_s = release_s + 0.5 * AFTER_RELEASE_S
    stop_s = min(end_s, first_s + LONGEST_S)
    if stop_s - first_s < LEAST_S:
        return ()
    part = samples[int(first_s * sample_rate_hz) : int(stop_s * sample_rate_hz)]
    reference = peak_level(samples, sample_rate_hz=sample_rate_hz, onset_s=onset_s)
    if reference <= 0:
        return ()
    spectrum = _decaying_spectrum(part, sample_rate_hz=sample_rate_hz)
    bins_hz = np.asarray(np.arange(spectrum.amplitude.size) * spectrum.bin_hz, dtype=np.float64)
    noise = np.sqrt(2.0 * noise_density(bins_hz) * 0.75 * spectrum.main_lobe_hz)
    floor = np.maximum(local_floor(spectrum), noise)
    peaks = find_peaks(spectrum, floor=floor, least_above_db=LEAST_ABOVE_DB)
    level_db = 20.0 * np.log10(np.maximum(peaks.amplitude, 1e-15)) - 3.01
    level_db -= 10.0 * np.log10(reference)
    keep = (
        (level_db > LOWEST_DB - 6.0)
        & (peaks.hz > LOWEST_HZ)
        & (peaks.hz < min(0.45 * sample_rate_hz, 9000.0))
    )
    keep &= ~_skirts(peaks.hz, level_db, lobe_hz=spectrum.main_lobe_hz)
    index = np.flatnonzero(keep)
    index = np.sort(index[np.argsort(level_db[index])[::-1][:MOST_LINES]])
    if index.size == 0:
        return ()
    return _follow(
        part,
        peaks.hz[index],
        peaks.above_floor_db[index],
        sample_rate_hz=sample_rate_hz,
        reference=reference,
        noise_density=noise_density,
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


def _skirts(hz: FloatArray, level_db: FloatArray, *, lobe_hz: float) -> BoolArray:
    """Mark peaks that are side lobes of a much stronger neighbour."""
    skirt = np.zeros(hz.size, dtype=np.bool_)
    for i in np.argsort(level_db)[::-1][:MOST_LINES]:
        if skirt[i]:
            continue
        distance = np.abs(hz - hz[i]) / lobe_hz
        # Side lobes of the window fall at about 18 dB an octave from 20 dB at the main lobe.
        allowed = level_db[i] - 20.0 - 18.0 * np.log2(np.maximum(distance, 1.0))
        skirt |= (distance > 0) & (distance < 12.0) & (level_db < allowed)
        skirt |= (distance > 0) & (distance < 0.75) & (level_db < level_db[i])
    return skirt


def _follow(
    part: FloatArray,
    hz: FloatArray,
    above_db: FloatArray,
    *,
    sample_rate_hz: float,
    reference: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> tuple[RingLine, ...]:
    """Level and decay of each line in a band of its own."""
    transform = transform_strike(part, sample_rate_hz=sample_rate_hz)
    nearest = np.full(hz.size, np.inf)
    if hz.size > 1:
        gaps = np.diff(hz)
        nearest[:-1] = gaps
        nearest[1:] = np.minimum(nearest[1:], gaps)
    lines: list[RingLine] = []
    wide = nearest >= BAND_HZ
    for is_wide in (True, False):
        chosen = np.flatnonzero(wide == is_wide)
        if chosen.size == 0:
            continue
        bands = extract_bands(
            transform,
            centres_hz=hz[chosen],
            half_width_hz=BAND_HZ if is_wide else NARROWEST_BAND_HZ,
        )
        density = 2.0 * noise_density(bands.centres_hz)
        lines.extend(
            _fit_lines(
                bands.times_s,
                bands.envelopes,
                bands.centres_hz,
                above_db[chosen],
                noise_power=density * bands.noise_bandwidth_hz,
                density=density,
                rate_hz=bands.rate_hz,
                settle_s=0.5 / (BAND_HZ if is_wide else NARROWEST_BAND_HZ),
                reference=reference,
            )
        )
    return tuple(sorted(lines, key=lambda line: line.hz))


def _fit_lines(
    times: FloatArray,
    envelopes: np.ndarray,
    centres_hz: FloatArray,
    above_db: FloatArray,
    *,
    noise_power: FloatArray,
    density: FloatArray,
    rate_hz: float,
    settle_s: float,
    reference: float,
) -> list[RingLine]:
    """Straight line in dB and in phase through each envelope."""
    lines = []
    inside = (times >= settle_s) & (times <= times[-1] - settle_s)
    if np.count_nonzero(inside) < 4:
        return []
    t = times[inside]
    for row in range(centres_hz.size):
        z = envelopes[row, inside]
        power = np.abs(z) ** 2
        clean = power - noise_power[row]
        seen = clean > 1.5 * noise_power[row]
        # Only up to where the noise is first reached: behind it noise alone would be chosen.
        lost = np.flatnonzero(~seen)
        stop = int(lost[0]) if lost.size else t.size
        if stop < 4 or t[stop - 1] - t[0] < 0.08:
            continue
        db = 10.0 * np.log10(clean[:stop])
        weight = (clean[:stop] / (clean[:stop] + 4.0 * noise_power[row])) ** 2
        slope, middle_s, middle_db, slope_se, rough = _line(t[:stop], db, weight)
        if rough > MOST_ROUGHNESS_DB:
            continue
        if rough > BEATING_DB:
            slope, middle_s, middle_db, slope_se = _halves(t[:stop], clean[:stop])
        if -slope < SLOWEST_DB_PER_S:
            continue
        at_s = 0.5 * AFTER_RELEASE_S  # the part starts half of that after the release
        level = middle_db + slope * (at_s - middle_s) - 3.01 - 10.0 * np.log10(reference)
        if level < LOWEST_DB:
            continue
        offset_hz, offset_se = _turn(t[:stop], z[:stop], density=density[row], rate_hz=rate_hz)
        t60 = float(60.0 / -slope)
        lines.append(
            RingLine(
                hz=float(centres_hz[row] + offset_hz),
                hz_se=float(offset_se),
                level_db=float(level),
                t60_s=t60,
                t60_s_se=float(t60 * slope_se / -slope),
                above_db=float(above_db[row]),
            )
        )
    return lines


def _line(
    t: FloatArray, db: FloatArray, weight: FloatArray
) -> tuple[float, float, float, float, float]:
    """Weighted straight line: slope, centre time, level there, standard error, scatter."""
    total = float(weight.sum())
    middle = float((weight * t).sum() / total)
    level = float((weight * db).sum() / total)
    spread = float((weight * (t - middle) ** 2).sum())
    slope = float((weight * (t - middle) * (db - level)).sum() / max(spread, 1e-12))
    residual = db - level - slope * (t - middle)
    rough = float(np.sqrt((weight * residual**2).sum() / total))
    # Neighbouring samples of a band are correlated; about every second one is independent.
    slope_se = rough * float(np.sqrt(2.0 * total / t.size / max(spread, 1e-12)))
    return slope, middle, level, slope_se, rough


def _halves(t: FloatArray, power: FloatArray) -> tuple[float, float, float, float]:
    """Slope from the energies of two halves, for a line that beats; like `_line`."""
    half = t.size // 2
    early, late = float(power[:half].mean()), float(power[half:].mean())
    apart_s = float(t[half:].mean() - t[:half].mean())
    slope = 10.0 * np.log10(late / early) / apart_s
    # A beat of unknown phase moves each half's mean by some 2 dB.
    return slope, float(t[:half].mean()), float(10.0 * np.log10(early)), 2.8 / apart_s


def _turn(t: FloatArray, z: np.ndarray, *, density: float, rate_hz: float) -> tuple[float, float]:
    """Offset of a line from the middle of its band in Hz, by its phase, with standard error."""
    step = np.angle(np.sum(z[1:] * np.conj(z[:-1])))
    offset = float(step * rate_hz / (2.0 * np.pi))
    power = np.abs(z) ** 2
    phase = np.unwrap(np.angle(z * np.exp(-2j * np.pi * offset * t)))
    total = power.sum()
    middle = (power * t).sum() / total
    spread = float((power * (t - middle) ** 2).sum())
    slope = float((power * (t - middle) * (phase - (power * phase).sum() / total)).sum())
    slope /= max(spread, 1e-300)
    se = np.sqrt(0.5 * density / max(spread / rate_hz, 1e-300)) / (2.0 * np.pi)
    # A short stretch cannot tell a line from two: a hundredth of its resolution is kept.
    resolution = 0.03 / max(float(t[-1] - t[0]), 1e-3)
    return offset + slope / (2.0 * np.pi), float(np.hypot(se, resolution))
