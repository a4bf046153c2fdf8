"""What would the envelope of a damped partial look like in a room? Its likelihood on a grid.

The engine of `toneapp.signal.damped`; see there for the description. The covariance of an
envelope at sixteen times is worked out for every room, moment of release and decay that is tried,
once for each width of band and level of noise, and kept with its inverse root.

Conventions: times in s from the release that was found; rates of amplitude in 1/s. Arrays are
(room r, moment j, decay a, time n).

Functions: `log_likelihood`. Constants: the grids.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray, IntArray

__all__ = [
    "HALF_WIDTHS_HZ",
    "MOMENTS_S",
    "NOISE_DB",
    "ROOM_LEVEL_DB",
    "ROOM_T60_S",
    "T60_S",
    "TIMES_S",
    "log_likelihood",
]

LN_1000 = math.log(1000.0)

LEVEL_STEP_DB = 4.0
_LEVELS_DB = tuple(-23.0 + LEVEL_STEP_DB * i for i in range(6))
_T60S_S = (0.2, 0.3, 0.45, 0.65, 0.95)
_ROOMS = [(-45.0, 0.4)] + [(level_db, t60_s) for level_db in _LEVELS_DB for t60_s in _T60S_S]
ROOM_LEVEL_DB = np.array([level_db for level_db, _ in _ROOMS])
"""Energy of the reverberation over that of the direct sound, of the rooms that are tried; the
first is none at all."""
ROOM_T60_S = np.array([t60_s for _, t60_s in _ROOMS])

TIMES_S = np.array(
    [-0.06, -0.03, -0.01, 0.004, 0.01, 0.017, 0.026, 0.037,
     0.051, 0.07, 0.096, 0.132, 0.18, 0.25, 0.34, 0.46]
)  # fmt: skip
T60_S = np.geomspace(0.03, 4.0, 24)
MOMENTS_S = np.array([-0.024, -0.012, 0.0, 0.012, 0.024, 0.04])
TOUCH_S = (
    0.015  # a felt takes 10 to 30 ms to lie with its full weight (common practice, no source)
)
HALF_WIDTHS_HZ = (300.0, 120.0, 50.0, 24.0)
NOISE_DB = (-45.0, -30.0, -18.0)  # over the partial
UNEVENNESS = 0.08  # relative amplitude; beats and the like, correlated over `UNEVEN_S`
UNEVEN_S = 0.04
RINGS = ((-33.0, 2.0, 0.8), (-7.0, 0.8, 0.2))
"""Level over the partial in dB, T60 in s and prior share of what free strings may add."""
RING_SPREAD_S = 0.3  # a free string is not quite in tune with the partial that woke it
EARLY = (-12.0, 0.1)  # level in dB and T60 in s of the first reflections; in every room but none
SCALE_STEPS = (-2, -1, 0, 1)
"""The held level that is seen is that of string and room together; the string's own may lie higher
or lower by so many steps of `LEVEL_STEP_DB`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tables:
    """Everything of the likelihood that no sound enters; axes room, moment, decay, time."""

    whiten: FloatArray  # (r, j, a, n, n) lower triangular: any first m times are a table as well
    line: FloatArray  # (r, j, a, n) whitened s
    ln_det: FloatArray  # (r, j, a, n) of the covariance of the first times


@functools.lru_cache(maxsize=len(HALF_WIDTHS_HZ) * len(NOISE_DB) * len(RINGS))
def _tables(half_width_hz: float, noise: int, ring: int) -> _Tables:
    """Covariances of all rooms, moments and decays, and their inverse roots."""
    rate = LN_1000 / T60_S
    n = TIMES_S.size
    apart = np.abs(TIMES_S[:, None] - TIMES_S)
    line = _felt_decay(rate, MOMENTS_S, half_width_hz)  # (j, a, n)
    cell_ln = math.log(T60_S[1] / T60_S[0]) / math.sqrt(12.0)
    cell_s = (MOMENTS_S[1] - MOMENTS_S[0]) / math.sqrt(12.0)
    # What lies between two points of the grids is a direction in which the sound may be off.
    by_rate = (
        (_felt_decay(1.02 * rate, MOMENTS_S, half_width_hz) - line) / math.log(1.02) * cell_ln
    )
    by_moment = (_felt_decay(rate, MOMENTS_S + 1e-3, half_width_hz) - line) / 1e-3 * cell_s
    common = _outer(by_rate) + _outer(by_moment)
    common += UNEVENNESS**2 * _outer(line) * np.exp(-apart / UNEVEN_S)
    common += 10.0 ** (NOISE_DB[noise] / 10.0) * np.eye(n)
    ring_db, ring_t60_s, _ = RINGS[ring]
    shape = np.exp(-LN_1000 / ring_t60_s * np.maximum(TIMES_S, 0.0))
    common += 10.0 ** (ring_db / 10.0) * _outer(shape) * np.exp(-apart / RING_SPREAD_S)
    covariance = common[None] + _room_covariance(rate, ROOM_LEVEL_DB, ROOM_T60_S)
    early = _room_covariance(rate, np.array([EARLY[0]]), np.array([EARLY[1]]))
    covariance[1:] += early
    root = np.linalg.cholesky(covariance)
    whiten = np.linalg.inv(root)
    return _Tables(
        whiten=whiten.astype(np.float32),
        line=np.einsum("rjamn,jan->rjam", whiten, line).astype(np.float32),
        ln_det=2.0 * np.cumsum(np.log(np.diagonal(root, axis1=-2, axis2=-1)), axis=-1),
    )


def _outer(v: FloatArray) -> FloatArray:
    return np.asarray(v[..., :, None] * v[..., None, :])


def _felt_decay(rate: FloatArray, moments_s: FloatArray, half_width_hz: float) -> FloatArray:
    """Amplitude of a damped partial in a Hann-shaped band, (j, a, n)."""
    u = np.linspace(-1.5, 1.5, 61) / half_width_hz
    x = 2.0 * half_width_hz * u
    near_pole = np.abs(np.abs(x) - 1.0) < 1e-6
    kernel = np.where(near_pole, 0.5, np.sinc(x) / np.where(near_pole, 1.0, 1.0 - x**2))
    kernel /= kernel.sum()
    t = TIMES_S[None, :, None] - u - moments_s[:, None, None] + 2.0 * TOUCH_S / 3.0
    t = np.maximum(t, 0.0)
    # The damper's share of its full weight grows as the square of time until `TOUCH_S`.
    acting_s = np.where(t < TOUCH_S, t**3 / (3.0 * TOUCH_S**2), t - 2.0 * TOUCH_S / 3.0)
    return np.asarray(np.exp(-rate[None, :, None, None] * acting_s[:, None]) @ kernel)


def _room_covariance(rate: FloatArray, level_db: FloatArray, t60_s: FloatArray) -> FloatArray:
    """Covariance of rooms' sound, (r, j, a, n, n), for a direct sound of amplitude 1."""
    t = TIMES_S[None] - MOMENTS_S[:, None]
    first = np.minimum(t[:, :, None], t[:, None, :])
    last = np.maximum(t[:, :, None], t[:, None, :])
    low, high = (np.maximum(v, 0.0)[None, :, None] for v in (first, last))
    a = rate[None, None, :, None, None]
    r = (2.0 * LN_1000 / t60_s)[:, None, None, None, None]
    # Integral of r exp(-r u) s(t - u) s(t' - u) over the delay u: both times behind the release,
    # one of them, none.
    both = np.exp(-a * (low + high)) * _growth(2.0 * a - r, 0.0 * low, low)
    one = np.exp(-a * high) * _growth(a - r, low, high)
    level = (10.0 ** (level_db / 10.0))[:, None, None, None, None]
    return np.asarray(level * (r * (both + one) + np.exp(-r * high)))


def _growth(k: FloatArray, start: FloatArray, stop: FloatArray) -> FloatArray:
    """Integral of exp(k u) from start to stop."""
    k = np.where(np.abs(k) < 1e-6, 1e-6, k)
    return np.asarray((np.exp(k * stop) - np.exp(k * start)) / k)


def log_likelihood(
    z: ComplexArray, *, half_width_hz: float, noise: int, rooms: IntArray
) -> FloatArray:
    """Return the logarithm of the likelihood of envelopes.

    Parameters
    ----------
    z : ndarray, shape (k, m)
        Envelopes at the first m of `TIMES_S`, each over its level before the release.
    half_width_hz : float
        Of the bands: one of `HALF_WIDTHS_HZ`.
    noise : int
        Index into `NOISE_DB`.
    rooms : ndarray of int, shape (r,)
        Rooms that are tried.

    Returns
    -------
    ndarray, shape (k, r, j, a)
        For each room, moment of `MOMENTS_S` and decay of `T60_S`; amplitude and phase are free.
    """
    k, m = z.shape
    parts = np.concatenate([z.real, z.imag]).T.astype(np.float32)  # (m, 2k)
    around = np.stack([_neighbours(int(room)) for room in rooms])  # (r, steps)
    needed, place = np.unique(around, return_inverse=True)
    place = place.reshape(around.shape)
    is_free = rooms == 0  # without a room nothing binds the level
    bounds = 10.0 ** (
        LEVEL_STEP_DB * (np.array(SCALE_STEPS)[:, None] + np.array([-0.5, 0.5])) / 20.0
    )
    total: FloatArray | None = None
    for ring, (_, _, prior) in enumerate(RINGS):
        tables = _tables(half_width_hz, noise, ring)
        is_all = needed.size == ROOM_T60_S.size
        of = slice(None) if is_all else needed
        white = tables.whiten[of][..., :m, :m] @ parts
        line = tables.line[of][..., :m]
        square = np.einsum("rjamp,rjamp->rjap", white, white)
        met = (line[..., None, :] @ white)[..., 0, :] ** 2
        met = np.sqrt(met[..., :k] + met[..., k:])
        own = np.sum(line**2, axis=-1)[..., None]
        fixed = square[..., :k] + square[..., k:] + np.log(own)
        fixed += tables.ln_det[of][..., m - 1, None].astype(np.float32)
        free = met / own
        value: FloatArray | None = None
        for step, (low, high) in enumerate(bounds.astype(np.float32)):
            at = place[:, step]
            size = np.where(is_free[:, None, None, None], free[at], np.clip(free[at], low, high))
            here = size * (2.0 * met[at] - size * own[at]) - fixed[at]
            value = here if value is None else np.maximum(value, here)
        assert value is not None
        value = value + np.float32(math.log(prior))
        total = value if total is None else np.logaddexp(total, value)
    assert total is not None
    return np.moveaxis(total, -1, 0).astype(np.float64)


def _neighbours(room: int) -> list[int]:
    """Rooms of the same T60 that lie `SCALE_STEPS` in level away."""
    if room == 0:
        return [0] * len(SCALE_STEPS)
    level, t60 = divmod(room - 1, len(_T60S_S))
    last = len(_LEVELS_DB) - 1
    return [1 + min(max(level + s, 0), last) * len(_T60S_S) + t60 for s in SCALE_STEPS]
