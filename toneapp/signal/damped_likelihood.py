"""How well do rooms, dampers and decays describe the envelope of a partial about its release?

The engine of `toneapp.signal.damped_reading`; see there for the description.

Conventions: those of `toneapp.signal.damped_grid` and, inside, `toneapp.signal.damped_tables`.

Functions: `log_likelihood`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from toneapp._typing import ComplexArray, Float32Array, IntArray
from toneapp.signal.damped_grid import (
    COARSE_MOMENTS_S,
    LEVEL_COUNT,
    LEVEL_STEP_DB,
    MOMENTS_S,
    RINGS,
    T60_COUNT,
    T60_S,
    TOUCHES,
)
from toneapp.signal.damped_tables import Table, table

__all__ = ["log_likelihood"]

SCALE_STEPS = (-2, -1, 0, 1)
"""The held level that is seen is that of string and room together; the string's own may lie higher
or lower by so many steps of `LEVEL_STEP_DB`."""


def log_likelihood(
    z: ComplexArray, *, half_width_hz: float, noise: int, rooms: IntArray
) -> Float32Array:
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
    is_bound = rooms != 0  # where there is no room nothing binds the level
    total: Float32Array | None = None
    for ring, (_, _, prior) in enumerate(RINGS):
        met, own, rest = _projected(
            z, [table(half_width_hz, noise, ring, room) for room in needed.tolist()]
        )
        free = met / own
        value: Float32Array | None = None
        for step, scale in enumerate(SCALE_STEPS):
            low, high = (
                np.float32(10.0 ** (LEVEL_STEP_DB * (scale + x) / 20.0)) for x in (-0.5, 0.5)
            )
            at = place[:, step]
            size = free[at]
            size[is_bound] = np.minimum(np.maximum(size[is_bound], low), high)
            gain = size * own[at]
            np.subtract(2.0 * met[at], gain, out=gain)
            gain *= size
            gain -= rest[at]
            value = gain if value is None else np.maximum(value, gain, out=value)
        assert value is not None
        value += np.float32(math.log(prior))
        total = value if total is None else np.logaddexp(total, value)
    assert total is not None
    r, offsets, k, _ = total.shape
    by_place = total.reshape(r, offsets, k, COARSE_MOMENTS_S.size, len(TOUCHES), T60_S.size)
    by_partial = np.moveaxis(by_place, (2, 1), (0, 3))  # (k, r, coarse j, offset, c, a)
    return by_partial.reshape(k, r, MOMENTS_S.size, len(TOUCHES), T60_S.size)


def _projected(
    z: ComplexArray, rooms: Sequence[Table]
) -> tuple[Float32Array, Float32Array, Float32Array]:
    """What the string's sound has in common with the envelope, its own size, and the rest.

    All are (r, o, k, p).
    """
    k, m = z.shape
    parts = np.concatenate([z.real, z.imag]).astype(np.float32)
    offsets, _, places = rooms[0].line.shape
    met = np.empty((len(rooms), offsets, k, places), dtype=np.float32)
    own = np.empty((len(rooms), offsets, 1, places), dtype=np.float32)
    rest = np.empty((len(rooms), 1, k, places), dtype=np.float32)
    # Room by room, so that what is summed stays in the processor's cache.
    for row, room in enumerate(rooms):
        seeker, own[row, :, 0] = room.of_first(m)
        seen = parts @ seeker  # (o, 2k, p)
        np.sqrt(seen[:, :k] ** 2 + seen[:, k:] ** 2, out=met[row])
        white = parts @ room.whiten[:m, :m]  # (m, 2k, p)
        square = np.einsum("nkp,nkp->kp", white, white)
        rest[row, 0] = square[:k] + square[k:] + room.ln_det[m - 1]
    return met, own, rest + np.log(own)


def _neighbours(room: int) -> list[int]:
    """Rooms of the same T60 that lie `SCALE_STEPS` in level away."""
    if room == 0:
        return [0] * len(SCALE_STEPS)
    level, t60 = divmod(room - 1, T60_COUNT)
    return [1 + min(max(level + s, 0), LEVEL_COUNT - 1) * T60_COUNT + t60 for s in SCALE_STEPS]
