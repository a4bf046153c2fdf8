"""How does the level at each peak fall? A straight line in dB through a band of its own.

Functions: `falling_lines`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from toneapp._typing import BoolArray, FloatArray
from toneapp.measure.ringing_line import AFTER_RELEASE_S, LOWEST_DB, RingLine
from toneapp.signal.bands import extract_bands, transform_strike
from toneapp.signal.peaks import PeakList

__all__ = ["SLOWEST_DB_PER_S", "falling_lines"]

BAND_HZ = 14.0
NARROWEST_BAND_HZ = 6.0
NARROW_LEAST_S = 0.35
FAINT_SHARE = 0.1
"""Narrow bands, which part neighbouring lines, need so much sound to settle. A neighbour 20 dB
weaker ripples a line's level by 1 dB and needs no narrow band."""

BEATING_DB = 3.0
MOST_ROUGHNESS_DB = 9.0
"""A lone line keeps to a straight fall in dB within the first (root mean square); beyond it the
strings of a unison beat, and its fall is read from the energy of its two halves. Beyond the second
it is talk."""

SLOWEST_DB_PER_S = 0.5
"""What falls more slowly than this is no string that was struck a moment ago."""


def falling_lines(
    part: FloatArray,
    peaks: PeakList,
    *,
    sample_rate_hz: float,
    reference: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> tuple[RingLine, ...]:
    """Fit level and decay of each peak in a band of its own.

    Parameters
    ----------
    part : ndarray, shape (n,)
        Mono sound from 0.05 s after the release.
    peaks : PeakList
        Where lines may be.
    sample_rate_hz : float
        Sampling rate in Hz.
    reference : float
        Mean square of the struck note's peak level.
    noise_density : callable
        Room noise in mean square per Hz at given frequencies.

    Returns
    -------
    tuple of RingLine
        Upward in frequency; peaks that do not fall are left out.
    """
    hz, above_db = peaks.hz, peaks.above_floor_db
    transform = transform_strike(part, sample_rate_hz=sample_rate_hz)
    lines: list[RingLine] = []
    wide = _outshines(peaks, share=FAINT_SHARE)
    narrow = ~wide
    if part.size < NARROW_LEAST_S * sample_rate_hz:
        # No time for narrow bands: the strongest of each cluster is read, the others are not.
        wide, narrow = _outshines(peaks, share=1.0), np.zeros(hz.size, dtype=np.bool_)
    for is_wide in (True, False):
        chosen = np.flatnonzero(wide if is_wide else narrow)
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


def _outshines(peaks: PeakList, *, share: float) -> BoolArray:
    """Mark peaks without a neighbour in their band that reaches this share of their amplitude."""
    near = np.abs(peaks.hz[:, None] - peaks.hz[None, :]) < BAND_HZ
    np.fill_diagonal(near, val=False)
    is_strong = peaks.amplitude[None, :] > share * peaks.amplitude[:, None]
    return np.asarray(~(near & is_strong).any(axis=1))


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
