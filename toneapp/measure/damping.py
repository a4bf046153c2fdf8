"""How well does the damper stop a note, and how much is left after it?

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

CLIP_OVER_NOISE_DB = 5.0  # a level is followed down to here
DAMPED_RANGE_DB = (-5.0, -25.0)
LEAST_FALL_DB = 8.0
LEVEL_SE_DB = 1.0  # beats and the shape of the bands, on each point
EARLY_RANGE_DB = (-2.0, -12.0)  # above what rooms add to a close microphone
LATE_END_DB = -30.0
BEND_RATIO = 0.6  # early over whole T60; partials that die unequally bend less
EARLY_LOG_SE = 0.3  # 10 dB within the time a band resolves
ROOM_REACH = 1.25  # a late decay within this of the room's is the room's
RING_SPAN_S = 0.06  # mean power over this makes a level after the release
LOSS_SPAN_S = 0.15  # s; the noise must last so long to count as the end
RING_NOISE_SHARE = 0.5  # of the noise; a sound weaker than this cannot be told from its scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class Damping:
    """How a note dies after the release."""

    damped_t60_s: float | None = None  # of the note's own partials together
    damped_t60_s_se: float | None = None
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
    room_t60_s: float | None = None,
) -> Damping:
    """Measure how a note dies after its release.

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
    room_t60_s : float, optional
        Reverberation time of the room in s, when it is known from the run.

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
    `damped_t60_s` comes from a line through the level between 5 and 25 dB below the level before
    the release (the range of T20 in ISO 3382-1, on the level itself), or down to 5 dB over the
    noise or to the end when at least 8 dB are left. If the fall begins much faster than that line
    (2 to 12 dB), what follows is not the string under the damper but the room or other strings,
    and the early line counts; the same if what follows dies as fast as the room, when its T60 is
    known. In a simulated room of T60 0.5 s decays of 0.1 to 0.2 s come out up to twice too long:
    a room hides what is faster than itself.
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
    damped, damped_se, limit = _damped_t60_s(
        times - release_s,
        total - floor,
        floor,
        reference,
        end_s=t_end_s - release_s,
        room_t60_s=room_t60_s,
    )
    if limit is not None and limit not in flags:
        flags.append(limit)
    lost = _first_loss_s(times, total, floor, release_s=release_s, t_end_s=t_end_s)
    return Damping(
        damped_t60_s=damped,
        damped_t60_s_se=damped_se,
        ring_levels_db=levels,
        ring_levels_are_limits=limits,
        time_to_noise_s=lost,
        flags=tuple(flags),
    )


def _damped_t60_s(
    t: FloatArray,
    clean: FloatArray,
    floor: float,
    reference: float,
    *,
    end_s: float,
    room_t60_s: float | None,
) -> tuple[float | None, float | None, Flag | None]:
    """Damped T60, its standard error, and what shortened or hid it."""
    least_db = 10.0 * math.log10(max(floor / reference, 1e-12)) + CLIP_OVER_NOISE_DB
    after = (t >= -t[1] + t[0]) & (t <= end_s)
    x = t[after]
    y = 10.0 * np.log10(np.maximum(clean[after] / reference, 1e-12))
    whole = _line_t60_s(x, y, high_db=DAMPED_RANGE_DB[0], low_db=max(DAMPED_RANGE_DB[1], least_db))
    if whole is None:
        is_hidden = least_db > DAMPED_RANGE_DB[0] - LEAST_FALL_DB
        return None, None, Flag.NOISE_HIDES_DECAY if is_hidden else Flag.CUT_SHORT
    early = _line_t60_s(x, y, high_db=EARLY_RANGE_DB[0], low_db=EARLY_RANGE_DB[1])
    if early is not None and early[0] < whole[0]:
        # Behind a clear bend it is the room, or other strings, that are heard.
        is_other = early[0] < BEND_RATIO * whole[0]
        if room_t60_s is not None and not is_other:
            late = _line_t60_s(x, y, high_db=EARLY_RANGE_DB[1], low_db=max(LATE_END_DB, least_db))
            is_other = late is None or late[0] <= ROOM_REACH * room_t60_s
        if is_other:
            return early[0], max(early[1], EARLY_LOG_SE * early[0]), None
    return whole[0], whole[1], None


def _line_t60_s(
    t: FloatArray, level_db: FloatArray, *, high_db: float, low_db: float
) -> tuple[float, float] | None:
    """T60 and standard error of a line from the first time below one level to that of another."""
    if high_db - low_db < LEAST_FALL_DB:
        return None
    start_s, stop_s = _first_below_s(t, level_db, high_db), _first_below_s(t, level_db, low_db)
    if start_s is None:
        return None
    if stop_s is None:
        # The record ends on the way down: what there is must do.
        stop_s, low_db = float(t[-1]), float(level_db[-3:].mean())
        if high_db - low_db < LEAST_FALL_DB:
            return None
    between = (t > start_s) & (t < stop_s)
    x = np.concatenate([[start_s], t[between], [stop_s]])
    y = np.concatenate([[high_db], level_db[between], [low_db]])
    centred = x - x.mean()
    spread = float(centred @ centred)
    slope = float(centred @ y) / spread if spread > 0 else 0.0
    if slope >= 0:
        return None
    residual = y - y.mean() - slope * centred
    scatter = float(residual @ residual) / max(y.size - 2, 1) + LEVEL_SE_DB**2
    t60_s = -60.0 / slope
    return t60_s, t60_s * math.sqrt(scatter / spread) / -slope


def _first_below_s(t: FloatArray, level_db: FloatArray, line_db: float) -> float | None:
    """First time at which a level falls below a line, between two points."""
    below = np.flatnonzero(level_db <= line_db)
    if below.size == 0:
        return None
    i = int(below[0])
    if i == 0:
        return float(t[0])
    share = (level_db[i - 1] - line_db) / max(float(level_db[i - 1] - level_db[i]), 1e-9)
    return float(t[i - 1] + share * (t[i] - t[i - 1]))


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
