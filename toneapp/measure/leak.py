"""Does the damper hold all of the string? The decay of each partial after the release.

A damper that leaks lets every partial of its note ring. One that merely lies at a node leaves a
single partial, and a neighbour that answers in sympathy lends the note only the partials they
share. The median over the partials tells these apart.

Functions: `damped_partials`, `typical_t60_s`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray

__all__ = ["DampedPartials", "damped_partials", "typical_t60_s"]

READ_S = 0.25
READ_SPAN_S = 0.08
"""The fall is read over a quarter of a second: later, other strings that ring on at the same place
would be taken for the note itself."""

TAIL_S = (0.09, 0.15, 0.21)
TAIL_FROM_HZ = 400.0
"""Two stretches after the release in which a well damped note above 400 Hz is heard by the room's
reverberation alone."""

VISIBLE_DB = 18.0
"""A partial takes part when it stands this far above its noise just before the release."""

MOST_PARTIALS = 6
"""The lowest partials last longest under a damper that does not hold; higher ones die by
themselves and say little."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DampedPartials:
    """Decay after the release of the partials that were visible before it, lowest first."""

    t60_s: FloatArray  # shape (j,)
    weight: FloatArray  # shape (j,), amplitude before the release
    tail_t60_s: FloatArray  # shape (i,), of those above 400 Hz, 0.09 to 0.21 s after the release


def typical_t60_s(damped: DampedPartials) -> float | None:
    """Median of the decay times, weighted with the amplitudes; None without any partial."""
    if damped.t60_s.size == 0:
        return None
    order = np.argsort(damped.t60_s)
    total = np.cumsum(damped.weight[order])
    return float(damped.t60_s[order][np.searchsorted(total, 0.5 * total[-1])])


def damped_partials(
    times_s: FloatArray,
    power: FloatArray,
    *,
    noise_power: FloatArray,
    centres_hz: FloatArray,
    release_s: float,
    end_s: float,
) -> DampedPartials:
    """Decay time of each visible partial after the release.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s from the onset, evenly spaced.
    power : ndarray, shape (k, m)
        Power of the note's partials, lowest first, noise included.
    noise_power : ndarray, shape (k,)
        Mean noise power of each band.
    centres_hz : ndarray, shape (k,)
        Frequency of each partial in Hz.
    release_s, end_s : float
        Release, and end of the sound of this strike, in s from the onset.

    Returns
    -------
    DampedPartials
        Among the six lowest partials those that were visible before the release. A time is that
        of the fall within the first quarter of a second; where noise hides the end of it, an
        upper limit.
    """
    first, last = release_s + READ_S - 0.5 * READ_SPAN_S, release_s + READ_S + 0.5 * READ_SPAN_S
    before = (times_s >= release_s - 0.1) & (times_s <= release_s - 0.01)
    after = (times_s >= first) & (times_s <= last)
    found: list[float] = []
    weights: list[float] = []
    if end_s < last or not before.any() or not after.any():
        return DampedPartials(t60_s=np.zeros(0), weight=np.zeros(0), tail_t60_s=np.zeros(0))
    for row, floor in zip(power[:MOST_PARTIALS], noise_power[:MOST_PARTIALS], strict=True):
        start = float(row[before].mean())
        if start < floor * 10.0 ** (VISIBLE_DB / 10.0):
            continue
        left = max(float(row[after].mean()) - floor, floor, 1e-12 * start)
        fallen_db = max(10.0 * float(np.log10(start / left)), 0.25)
        found.append(60.0 * READ_S / fallen_db)
        weights.append(float(np.sqrt(start)))
    return DampedPartials(
        t60_s=np.asarray(found),
        weight=np.asarray(weights),
        tail_t60_s=_tails(
            times_s - release_s, power, noise_power=noise_power, centres_hz=centres_hz
        ),
    )


def _tails(
    t: FloatArray, power: FloatArray, *, noise_power: FloatArray, centres_hz: FloatArray
) -> FloatArray:
    """Decay times of what is left once the damper has done its work: the room, or slower."""
    early = (t >= TAIL_S[0]) & (t < TAIL_S[1])
    late = (t >= TAIL_S[1]) & (t < TAIL_S[2])
    if not early.any() or not late.any():
        return np.zeros(0)
    first = power[:, early].mean(axis=1) - noise_power
    second = power[:, late].mean(axis=1) - noise_power
    clear = (centres_hz > TAIL_FROM_HZ) & (second > 2.0 * noise_power) & (first > 1.2 * second)
    apart_s = 0.5 * (TAIL_S[2] - TAIL_S[0])
    return np.asarray(60.0 * apart_s / (10.0 * np.log10(first[clear] / second[clear])))
