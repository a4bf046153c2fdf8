"""What reverberation times does backward integration give for a decay?

Schroeder's curve is the energy still to come, so it falls smoothly where the power itself beats.
It is a second figure, independent of the fit in `toneapp.signal.decay`. On a two-stage tone EDT,
T20 and T30 are mixtures of both stages; the curve lifts the late stage by the ratio of the rates.

Conventions: times in s, power in any linear unit, levels in dB relative to the start.

Functions: `backward_integral_db`, `reverberation_times`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.results import Flag

__all__ = ["ReverberationTimes", "backward_integral_db", "reverberation_times"]

EDT_RANGE_DB = (0.0, -10.0)
T20_RANGE_DB = (-5.0, -25.0)
T30_RANGE_DB = (-5.0, -35.0)
"""Evaluation ranges on the integrated curve: ISO 3382-1:2009, ISO 3382-2:2008."""
NOISE_MARGIN_DB = 10.0
"""The raw level must stand this far above the noise at the lower end of a range; ISO 3382
practice (from memory)."""
LATE_PART = 0.3  # of the span up to the cut; gives the rate for what lies beyond it
FLOOR_FACTOR = 2.0  # the curve is cut where the power comes within 3 dB of the noise
MIN_POINTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ReverberationTimes:
    """Times for 60 dB, each from its own part of the integrated curve."""

    edt_s: float | None = None
    t20_s: float | None = None
    t30_s: float | None = None
    range_db: float = 0.0  # of the curve that can be trusted
    flags: tuple[Flag, ...] = ()


def backward_integral_db(
    times_s: FloatArray, power: FloatArray, *, noise_power: float = 0.0
) -> FloatArray:
    """Schroeder's curve, freed from noise and from the end of the record.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s, evenly spaced, rising, m >= 8.
    power : ndarray, shape (m,)
        Power, noise included, >= 0.
    noise_power : float
        Mean noise power, same unit, >= 0.

    Returns
    -------
    ndarray, shape (c,)
        Level in dB re the first point, at the first ``c <= m`` times: up to where the power
        reaches the noise. What lies beyond is added as the tail of an exponential.

    Raises
    ------
    ValueError
        If shapes differ, the record is too short, or a value is negative or not finite.

    Notes
    -----
    L(t) = 10 lg(int_t^inf p^2 / int_0^inf p^2). The noise is subtracted from the power before the
    integration; the integral is cut where the smoothed power is within 3 dB of the noise, and the
    rest is P(t1) / a with the rate ``a`` of the last third (truncation and compensation of
    ISO 3382-1:2009, 5.3.3).

    References
    ----------
    .. [1] M. R. Schroeder, "New method of measuring reverberation time", J. Acoust. Soc. Am. 37,
       409 (1965).
    .. [2] ISO 3382-1:2009, Acoustics - Measurement of room acoustic parameters, 5.3.3.
    .. [3] A. Lundeby, T. E. Vigran, H. Bietz, M. Vorlaender, "Uncertainties of measurements in
       room acoustics", Acustica 81, 344 (1995) (from memory).

    Examples
    --------
    >>> t = np.arange(0.0, 5.0, 0.01)
    >>> curve = backward_integral_db(t, 10 ** (-0.6 * t))
    >>> round(float(curve[100]), 2)
    -6.0
    """
    curve, _tail, _step = _integrate(times_s, power, noise_power)
    return curve


def reverberation_times(
    times_s: FloatArray, power: FloatArray, *, noise_power: float = 0.0
) -> ReverberationTimes:
    """EDT, T20 and T30 of one decay.

    Parameters
    ----------
    times_s : ndarray, shape (m,)
        Times in s, evenly spaced, rising; from the start of the decay to its end.
    power : ndarray, shape (m,)
        Power, noise included, >= 0.
    noise_power : float
        Mean noise power, same unit, >= 0.

    Returns
    -------
    ReverberationTimes
        Each ``None`` when its range does not end at least 10 dB above the noise and above the
        level at which the record was cut; then a flag says which.

    Raises
    ------
    ValueError
        As `backward_integral_db`.

    Examples
    --------
    >>> t = np.arange(0.0, 15.0, 0.01)
    >>> round(reverberation_times(t, 10 ** (-0.6 * t)).t20_s, 2)
    10.0
    """
    curve, raw_range_db, meets_noise = _integrate(times_s, power, noise_power)
    times = np.asarray(times_s, dtype=np.float64)[: curve.size]
    found = [
        _slope_time_s(times, curve, limits) if raw_range_db >= needed else None
        for limits, needed in (
            (EDT_RANGE_DB, -EDT_RANGE_DB[1]),
            (T20_RANGE_DB, -T20_RANGE_DB[1] + NOISE_MARGIN_DB),
            (T30_RANGE_DB, -T30_RANGE_DB[1] + NOISE_MARGIN_DB),
        )
    ]
    limit = Flag.NOISE_HIDES_DECAY if meets_noise else Flag.HOLD_TOO_SHORT
    return ReverberationTimes(
        edt_s=found[0],
        t20_s=found[1],
        t30_s=found[2],
        range_db=raw_range_db,
        flags=(limit,) if None in found else (),
    )


def _integrate(
    times_s: FloatArray, power: FloatArray, noise_power: float
) -> tuple[FloatArray, float, bool]:
    """Return the curve, the range of the level in dB, and whether noise ended it."""
    times = np.asarray(times_s, dtype=np.float64)
    p = np.asarray(power, dtype=np.float64)
    if times.ndim != 1 or p.shape != times.shape or times.size < MIN_POINTS:
        raise ValueError(f"times and power must be (m,), m >= 8, got {times.shape}, {p.shape}")
    if not (np.all(np.isfinite(p)) and np.all(np.isfinite(times)) and math.isfinite(noise_power)):
        raise ValueError("times, power and noise_power must be finite")
    if np.any(p < 0) or noise_power < 0:
        raise ValueError("power must not be negative (were these decibels?)")
    step_s = (times[-1] - times[0]) / (times.size - 1)
    if not step_s > 0:
        raise ValueError("times must rise")
    width = max(1, times.size // 60)
    smooth = _moving_mean(p, width)
    above = smooth > FLOOR_FACTOR * noise_power
    if not above.any():
        return np.zeros(1), 0.0, True
    cut = times.size - int(np.argmax(above[::-1]))
    meets_noise = cut < times.size - width
    clean = p[:cut] - noise_power
    late = slice(int(cut * (1.0 - LATE_PART)), cut)
    late_level = np.log(np.maximum(smooth[late] - noise_power, 1e-300))
    late_rate = 0.0
    if cut >= MIN_POINTS:
        late_rate = max(-float(np.polyfit(times[late], late_level, 1)[0]), 0.0)
    # Trapezium rule, then what lies beyond the cut as an exponential.
    pieces = 0.5 * (clean[:-1] + clean[1:]) * step_s
    beyond = math.exp(float(late_level[-1])) / late_rate if late_rate > 0 else 0.0
    energy = np.append(np.cumsum(pieces[::-1])[::-1], 0.0) + beyond
    first = max(float(energy[0]), 1e-300)
    curve = 10.0 * np.log10(np.maximum(energy, 1e-15 * first) / first)
    peak = max(float(np.max(smooth[: max(1, cut // 4)])) - noise_power, 1e-300)
    floor = noise_power if meets_noise else math.exp(float(late_level[-1]))
    raw_range_db = 10.0 * math.log10(peak / max(floor, 1e-300))
    return curve, raw_range_db, meets_noise


def _moving_mean(values: FloatArray, width: int) -> FloatArray:
    total = np.cumsum(np.append(0.0, values))
    low = np.maximum(np.arange(values.size) - width // 2, 0)
    high = np.minimum(np.arange(values.size) + (width + 1) // 2, values.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _slope_time_s(
    times: FloatArray, curve: FloatArray, limits_db: tuple[float, float]
) -> float | None:
    """Time for 60 dB from a line through the curve between two levels."""
    high, low = limits_db
    inside = (curve <= high) & (curve >= low)
    if np.count_nonzero(inside) < MIN_POINTS or curve[-1] > low:
        return None
    slope = float(np.polyfit(times[inside], curve[inside], 1)[0])
    return -60.0 / slope if slope < 0 else None
