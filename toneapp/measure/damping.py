"""How much is left of a note after its damper has come down?

How fast the damper works is the matter of `toneapp.measure.damped_decay`.

Conventions: times in s from the onset; power in any linear unit with the noise in it, one row for
each partial of the struck note; levels in dB relative to the sound just before the release.

Functions: `measure_damping`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.results import Flag

__all__ = ["RING_TIMES_S", "Damping", "measure_damping"]

RING_TIMES_S = (0.3, 0.5, 1.0)
"""Times after the release at which the level is read."""

RING_SPAN_S = 0.06  # mean power over this makes a level after the release
LOSS_SPAN_S = 0.15  # s; the noise must last so long to count as the end
RING_NOISE_SHARE = 0.5  # of the noise; a sound weaker than this cannot be told from its scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class Damping:
    """What is left of a note after the release."""

    ring_levels_db: tuple[float | None, float | None, float | None] = (None, None, None)
    ring_levels_are_limits: tuple[bool, bool, bool] = (False, False, False)
    time_to_noise_s: float | None = None  # from the release; None when cut before
    flags: tuple[Flag, ...] = ()


def measure_damping(
    times_s: FloatArray,
    power: FloatArray,
    *,
    noise_power: FloatArray,
    release_s: float,
    t_end_s: float,
) -> Damping:
    """Measure what is left of a note after its release.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s from the onset, evenly spaced.
    power : ndarray, shape (k, m)
        Power of the note's own partials, noise included.
    noise_power : ndarray, shape (k,)
        Mean noise power of each band.
    release_s : float
        The release, in s from the onset.
    t_end_s : float
        End of what belongs to this strike: the next onset or the end of the sound.

    Returns
    -------
    Damping
        `ring_levels_db` are the levels 0.3, 0.5 and 1.0 s after the release relative to the last
        0.1 s before it, freed from noise. Where the noise hides the sound the level is the least
        that could have been seen, and marked as a limit; where the record ends before, ``None``.

    Raises
    ------
    ValueError
        If shapes differ, or a value is negative or not finite.

    Notes
    -----
    The partials are added up in power: what is heard is the strongest that is left.
    """
    times = np.asarray(times_s, dtype=np.float64)
    powers = np.asarray(power, dtype=np.float64)
    noise = np.asarray(noise_power, dtype=np.float64)
    if times.size < 2 or powers.ndim != 2 or powers.shape[1] != times.size:
        raise ValueError(f"power must be (k, m) with the m >= 2 times, got {powers.shape}")
    if noise.shape != (powers.shape[0],):
        raise ValueError(f"noise_power must be ({powers.shape[0]},), got {noise.shape}")
    if not all(np.all(np.isfinite(a)) for a in (times, powers, noise)):
        raise ValueError("times, power and noise_power must be finite")
    if np.any(powers < 0) or np.any(noise < 0):
        raise ValueError("power must not be negative (were these decibels?)")
    total, floor = powers.sum(axis=0), float(noise.sum())
    before = (times >= release_s - 0.1) & (times <= release_s)
    reference = float(np.mean(total[before])) - floor if before.any() else 0.0
    if reference <= 2.0 * floor:
        return Damping(flags=(Flag.NOISE_HIDES_RING,))
    flags: list[Flag] = []
    levels, limits = _ring_levels(
        times, total, floor, reference, release_s=release_s, t_end_s=t_end_s, flags=flags
    )
    lost = _first_loss_s(times, total, floor, release_s=release_s, t_end_s=t_end_s)
    return Damping(
        ring_levels_db=levels,
        ring_levels_are_limits=limits,
        time_to_noise_s=lost,
        flags=tuple(flags),
    )


_Three = tuple[float | None, float | None, float | None]


def _ring_levels(
    times: FloatArray,
    total: FloatArray,
    floor: float,
    reference: float,
    *,
    release_s: float,
    t_end_s: float,
    flags: list[Flag],
) -> tuple[_Three, tuple[bool, bool, bool]]:
    """Levels at `RING_TIMES_S`, and which of them are upper limits; adds to `flags`."""
    levels: list[float | None] = []
    limits: list[bool] = []
    for ring_s in RING_TIMES_S:
        middle = release_s + ring_s
        around = (times >= middle - RING_SPAN_S / 2) & (times <= middle + RING_SPAN_S / 2)
        if middle + RING_SPAN_S / 2 > t_end_s or not around.any():
            levels.append(None)
            limits.append(False)
            flags += [] if Flag.CUT_SHORT in flags else [Flag.CUT_SHORT]
            continue
        seen = float(np.mean(total[around])) - floor
        least = RING_NOISE_SHARE * floor
        is_limit = seen < least
        levels.append(10.0 * math.log10(max(seen, least, 1e-12 * reference) / reference))
        limits.append(is_limit)
        if is_limit and Flag.NOISE_HIDES_RING not in flags:
            flags.append(Flag.NOISE_HIDES_RING)
    return (levels[0], levels[1], levels[2]), (limits[0], limits[1], limits[2])


def _first_loss_s(
    times: FloatArray, total: FloatArray, floor: float, *, release_s: float, t_end_s: float
) -> float | None:
    """Time from the release until the sound stays within 3 dB of the noise."""
    inside = (times >= release_s) & (times <= t_end_s)
    t, p = times[inside], total[inside]
    if t.size < 8 or floor <= 0:
        return None
    width = max(1, round(LOSS_SPAN_S / ((t[-1] - t[0]) / (t.size - 1))))
    if t.size < width:
        return None
    # Mean over what follows each moment: a single crest of the noise is no sound.
    ahead = np.convolve(p, np.ones(width) / width, mode="valid")
    lost = np.flatnonzero(ahead <= 2.0 * floor)
    return float(t[lost[0]] - release_s) if lost.size else None
