"""How well do rooms, dampers and decays describe the envelope of a partial about its release?

The engine of `toneapp.signal.damped_reading`; see there for the description.

Conventions: those of `toneapp.signal.damped_grid`. Arrays are (partial k, room r, moment j,
touch c, decay a).

Functions: `log_likelihood`.
"""

from __future__ import annotations

import math

import numpy as np

from toneapp._typing import ComplexArray, Float32Array, FloatArray, IntArray
from toneapp.signal.damped_grid import (
    LEVEL_COUNT,
    LEVEL_STEP_DB,
    RINGS,
    ROOM_T60_S,
    T60_COUNT,
    TIMES_S,
)
from toneapp.signal.damped_tables import Tables, tables

__all__ = ["log_likelihood"]

SCALE_STEPS = (-2, -1, 0, 1)
"""The held level that is seen is that of string and room together; the string's own may lie higher
or lower by so many steps of `LEVEL_STEP_DB`."""


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
    ndarray, shape (k, r, j, c, a)
        For each room, moment of `MOMENTS_S`, touch and decay of `T60_S`; amplitude and phase are
        free.
    """
    around = np.stack([_neighbours(int(room)) for room in rooms])  # (r, steps)
    needed, place = np.unique(around, return_inverse=True)
    place = place.reshape(around.shape)
    of = slice(None) if needed.size == ROOM_T60_S.size else needed
    is_free = (rooms == 0)[:, None, None, None, None, None]  # nothing binds the level there
    total: FloatArray | None = None
    for ring, (_, _, prior) in enumerate(RINGS):
        met, own, fixed = _projected(z, tables(half_width_hz, noise, ring), of)
        free = met / own
        value: FloatArray | None = None
        for step, scale in enumerate(SCALE_STEPS):
            low, high = (10.0 ** (LEVEL_STEP_DB * (scale + x) / 20.0) for x in (-0.5, 0.5))
            at = place[:, step]
            here = free[at]
            size = np.where(is_free, here, np.clip(here, np.float32(low), np.float32(high)))
            here = size * (2.0 * met[at] - size * own[at]) - fixed[at]
            value = here if value is None else np.maximum(value, here)
        assert value is not None
        value = value + np.float32(math.log(prior))
        total = value if total is None else np.logaddexp(total, value)
    assert total is not None
    by_partial = np.moveaxis(total, (5, 4), (0, 3))  # (k, r, coarse j, offset, c, a)
    k, r, coarse, offsets, touches, decays = by_partial.shape
    return by_partial.reshape(k, r, coarse * offsets, touches, decays)


def _projected(
    z: ComplexArray, table: Tables, of: slice | IntArray
) -> tuple[Float32Array, Float32Array, Float32Array]:
    """What the string's sound has in common with the envelope, its own size, and the rest.

    All are (r, coarse j, c, a, o, k).
    """
    k, m = z.shape
    parts = np.zeros((TIMES_S.size, 2 * k), dtype=np.float32)
    parts[:m] = np.concatenate([z.real, z.imag]).T
    whiten, line = table.whiten[of], table.line[of][..., :m]
    white = (whiten.reshape(-1, TIMES_S.size) @ parts).reshape(*whiten.shape[:-1], 2 * k)
    white = white[..., :m, :]
    square = np.sum(white**2, axis=-2)
    rest = square[..., :k] + square[..., k:]
    rest += table.ln_det[of][..., m - 1, None]
    met = line @ white
    met = np.sqrt(met[..., :k] ** 2 + met[..., k:] ** 2)
    own = np.sum(line**2, axis=-1)[..., None]
    return np.asarray(met), own, rest[..., None, :] + np.log(own)


def _neighbours(room: int) -> list[int]:
    """Rooms of the same T60 that lie `SCALE_STEPS` in level away."""
    if room == 0:
        return [0] * len(SCALE_STEPS)
    level, t60 = divmod(room - 1, T60_COUNT)
    return [1 + min(max(level + s, 0), LEVEL_COUNT - 1) * T60_COUNT + t60 for s in SCALE_STEPS]
