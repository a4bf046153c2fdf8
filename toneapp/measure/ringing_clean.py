"""Which lone decaying sinusoids lie in the sound after a release, also side by side?

The strings of a leaking bass note and those of other keys often meet within two or three hertz,
and the quickly dying rest of the struck note covers them at first. Bands are taken apart by
`toneapp.signal.poles`; a sinusoid counts when it is found alike again in a later stretch, which
reverberation and talk are not.

Functions: `clean_lines`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray
from toneapp.measure.ringing_line import (
    AFTER_RELEASE_S,
    LOWEST_DB,
    RingLine,
    level_db,
    ring_peaks,
)
from toneapp.signal.bands import extract_bands, transform_strike
from toneapp.signal.poles import decaying_sinusoids

__all__ = ["clean_lines"]

BAND_HZ = 14.0
REACH = 0.55
"""A sinusoid is taken from a band up to this share of its half-width from the middle."""

CENTRES_APART_HZ = 4.0
MOST_BANDS = 64
LATER_PEAKS_S = 0.2
LEAST_ABOVE_DB = 8.0
LEAST_ENERGY = 20.0
"""A sinusoid holds this many times the energy that noise gives to one: 13 dB."""

STRETCHES_S = (0.0, 0.15, 0.3)
"""Stretches begin this long after the first; two neighbouring ones must agree."""

AGREE_HZ = 0.35
AGREE_TURNS = 0.3
AGREE_T60_RATIO = 1.6
AGREE_DB = 4.0
LEAST_T60_SE = 0.1
SAME_HZ = 0.3
SHORTEST_T60_S = 0.15
SLOWEST_PER_S = 0.05
TO_T60 = 3.0 * float(np.log(10.0))
DB_PER_NEPER = 20.0 / float(np.log(10.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sinusoid:
    """One decaying sinusoid of one stretch."""

    hz: float
    level_db: float  # 0.1 s after the release
    t60_s: float


def clean_lines(
    part: FloatArray,
    *,
    sample_rate_hz: float,
    reference: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> tuple[RingLine, ...]:
    """Find the lone decaying sinusoids after a release.

    Parameters
    ----------
    part : ndarray, shape (n,)
        Mono sound from 0.05 s after the release.
    sample_rate_hz : float
        Sampling rate in Hz.
    reference : float
        Mean square of the struck note's peak level.
    noise_density : callable
        Room noise in mean square per Hz at given frequencies.

    Returns
    -------
    tuple of RingLine
        Upward in frequency. The strings of a unison may be told one by one.
    """
    centres, above_db = _centres(
        part, sample_rate_hz=sample_rate_hz, reference=reference, noise_density=noise_density
    )
    if centres.size == 0:
        return ()
    bands = extract_bands(
        transform_strike(part, sample_rate_hz=sample_rate_hz),
        centres_hz=centres,
        half_width_hz=BAND_HZ,
    )
    noise = 2.0 * noise_density(bands.centres_hz)
    settle_s = 0.5 / BAND_HZ
    stretches = [
        (bands.times_s >= settle_s + later_s) & (bands.times_s <= bands.times_s[-1] - settle_s)
        for later_s in STRETCHES_S
    ]
    found: list[RingLine] = []
    for row in range(centres.size):
        read = [
            _read(
                bands.envelopes[row, stretch],
                float(bands.centres_hz[row]),
                first_s=float(bands.times_s[stretch][0]) if stretch.any() else 0.0,
                rate_hz=bands.rate_hz,
                noise_power=float(noise[row]) * bands.noise_bandwidth_hz,
                noise_density=float(noise[row]),
                reference=reference,
            )
            for stretch in stretches
        ]
        for earlier, later in itertools.pairwise(read):
            found.extend(_agreed(earlier, later, above_db=float(above_db[row])))
    return _without_doubles(found)


def _centres(
    part: FloatArray,
    *,
    sample_rate_hz: float,
    reference: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Middles of the bands to be taken apart, strongest first, and their height over the floor."""
    rows: list[tuple[float, float, float]] = []
    for later_s in (0.0, LATER_PEAKS_S):
        rest = part[int(later_s * sample_rate_hz) :]
        if rest.size < 0.3 * sample_rate_hz:
            continue
        peaks = ring_peaks(
            rest,
            sample_rate_hz=sample_rate_hz,
            reference=reference,
            noise_density=noise_density,
            least_above_db=LEAST_ABOVE_DB,
        )
        level = level_db(peaks.amplitude, reference)
        rows += zip(level.tolist(), peaks.hz.tolist(), peaks.above_floor_db.tolist(), strict=True)
    kept: list[tuple[float, float]] = []
    for _, hz, above_db in sorted(rows, reverse=True):
        if all(abs(hz - other) > CENTRES_APART_HZ for other, _ in kept):
            kept.append((hz, above_db))
    table = np.array(kept[:MOST_BANDS], dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _read(
    envelope: ComplexArray,
    centre_hz: float,
    *,
    first_s: float,
    rate_hz: float,
    noise_power: float,
    noise_density: float,
    reference: float,
) -> list[_Sinusoid]:
    """Take one stretch of one band apart."""
    parts = decaying_sinusoids(envelope, rate_hz=rate_hz, noise_power=noise_power)
    inside = (np.abs(parts.hz) < REACH * BAND_HZ) & (parts.rate_per_s > SLOWEST_PER_S)
    twice = 2.0 * np.maximum(parts.rate_per_s, SLOWEST_PER_S)
    energy = parts.amplitude**2 * -np.expm1(-twice * envelope.size / rate_hz) / twice
    inside &= energy > LEAST_ENERGY * noise_density
    hz, rate = parts.hz[inside], parts.rate_per_s[inside]
    gain = 0.5 + 0.5 * np.cos(np.pi * hz / BAND_HZ)  # the band is a Hann window in frequency
    level = level_db(parts.amplitude[inside] / gain, reference)
    # The part begins half of `AFTER_RELEASE_S` after the release.
    level += DB_PER_NEPER * rate * (first_s - 0.5 * AFTER_RELEASE_S)
    return [
        _Sinusoid(hz=centre_hz + float(f), level_db=float(db), t60_s=TO_T60 / float(r))
        for f, db, r in zip(hz, level, rate, strict=True)
    ]


def _agreed(
    earlier: list[_Sinusoid], later: list[_Sinusoid], *, above_db: float
) -> list[RingLine]:
    """Lines that are the same in two stretches."""
    lines = []
    for one in earlier:
        same = [
            other
            for other in later
            if abs(other.hz - one.hz) < max(AGREE_HZ, AGREE_TURNS / one.t60_s)
            and 1.0 / AGREE_T60_RATIO < other.t60_s / one.t60_s < AGREE_T60_RATIO
            and abs(other.level_db - one.level_db) < AGREE_DB
        ]
        if not same:
            continue
        other = min(same, key=lambda two: abs(two.hz - one.hz))
        t60_s = float(np.sqrt(one.t60_s * other.t60_s))
        level = 0.5 * (one.level_db + other.level_db)
        if level < LOWEST_DB or t60_s < SHORTEST_T60_S:
            continue
        lines.append(
            RingLine(
                hz=0.5 * (one.hz + other.hz),
                hz_se=float(np.hypot(0.03, 0.5 * abs(one.hz - other.hz))),
                level_db=level,
                t60_s=t60_s,
                t60_s_se=t60_s
                * float(np.hypot(LEAST_T60_SE, 0.5 * np.log(one.t60_s / other.t60_s))),
                above_db=above_db,
                is_clean=True,
            )
        )
    return lines


def _without_doubles(lines: list[RingLine]) -> tuple[RingLine, ...]:
    """Keep the strongest of lines that were found from more than one band or stretch."""
    kept: list[RingLine] = []
    for line in sorted(lines, key=lambda line: -line.level_db):
        if all(abs(line.hz - other.hz) > SAME_HZ for other in kept):
            kept.append(line)
    return tuple(sorted(kept, key=lambda line: line.hz))
