"""How would the envelope of a damped partial scatter in a room? Covariances on a grid.

For every room, moment of release, way of touching and decay the covariance of an envelope at
sixteen times is worked out once for each width of band and level of noise, and kept with its
inverse root.

Conventions: those of `toneapp.signal.damped_grid`. Arrays are (offset of the moment o, time n,
place p); a place is a coarse moment, a touch and a decay, (j, c, a) in this order. It comes last:
all places are worked out side by side.

Functions: `table`.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field

import numpy as np

from toneapp._typing import Float32Array, FloatArray
from toneapp.signal.damped_grid import (
    COARSE_MOMENTS_S,
    EARLY,
    NOISE_DB,
    OFFSETS_S,
    RINGS,
    ROOM_LEVEL_DB,
    ROOM_T60_S,
    T60_S,
    TIMES_S,
    TOUCHES,
)

__all__ = ["Table", "table"]

LN_1000 = math.log(1000.0)
UNEVENNESS = 0.08  # relative amplitude; beats and the like, correlated over `UNEVEN_S`
UNEVEN_S = 0.04
RING_SPREAD_S = 0.3  # a free string is not quite in tune with the partial that woke it
GRID_S = 0.001
DELAY_S = 0.004  # steps in which the room's response is added up
LONGEST_S = 0.56  # what comes later than this was struck up before the release


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """Everything of the likelihood in one room that no sound enters."""

    whiten: Float32Array  # (n, n, p) lower triangular: any first m times are a table too
    line: Float32Array  # (o, n, p) whitened sound of the string alone
    ln_det: Float32Array  # (n, p) of the covariance of the first times
    _first: dict[int, tuple[Float32Array, Float32Array]] = field(default_factory=dict, repr=False)

    def of_first(self, count: int) -> tuple[Float32Array, Float32Array]:
        """What finds the string's sound in the first `count` times, and the size of that.

        They are (o, count, p) and (o, p).
        """
        found = self._first.get(count)
        if found is None:
            line = self.line[:, :count]
            seeker = np.zeros_like(line)
            for n in range(count):
                seeker[:, : n + 1] += line[:, n, None] * self.whiten[n, : n + 1]
            found = self._first[count] = seeker, np.sum(line**2, axis=1)
        return found


@functools.lru_cache(maxsize=len(NOISE_DB) * len(RINGS) * ROOM_T60_S.size)
def table(half_width_hz: float, noise: int, ring: int, room: int) -> Table:
    """Work out the table of one width of band, level of noise, kind of free strings, and room.

    Those of one width are kept: 0.4 MB each.

    Parameters
    ----------
    half_width_hz : float
        Of the band: one of `HALF_WIDTHS_HZ`.
    noise, ring, room : int
        Index into `NOISE_DB`, `RINGS` and `ROOM_T60_S`.

    Returns
    -------
    Table
        For all moments, touches and decays.
    """
    held, rooms, early = _shapes(half_width_hz)
    _, _, _, offsets, n = held.shape
    covariance = _without_room(half_width_hz, noise, ring)
    covariance = covariance + 10.0 ** (ROOM_LEVEL_DB[room] / 10.0) * rooms[float(ROOM_T60_S[room])]
    if room:
        covariance += early
    root = _root(np.ascontiguousarray(np.moveaxis(covariance.reshape(-1, n, n), 0, -1)))
    whiten = _inverse(root.astype(np.float32))
    sound = np.moveaxis(held.reshape(-1, offsets, n), 0, -1).astype(np.float32)
    line = np.stack(
        [np.sum(whiten[i, : i + 1] * sound[:, : i + 1], axis=1) for i in range(n)], axis=1
    )
    ln_det = 2.0 * np.cumsum(np.log(root[np.arange(n), np.arange(n)]), axis=0)
    return Table(
        whiten=whiten,
        line=line,
        ln_det=ln_det.astype(np.float32),
    )


@functools.lru_cache(maxsize=len(NOISE_DB) * len(RINGS))
def _without_room(half_width_hz: float, noise: int, ring: int) -> FloatArray:
    """Covariance of all that is not the room, (j, c, a, n, n)."""
    line, _, _ = _shapes(half_width_hz)
    apart = np.abs(TIMES_S[:, None] - TIMES_S)
    middle = line[:, :, :, 1]  # (j, c, a, n)
    # What lies between two points of the grids is a direction in which the sound may be off.
    cell_ln = math.log(T60_S[1] / T60_S[0]) / math.sqrt(12.0)
    by_rate = np.gradient(middle, np.log(T60_S), axis=2) * cell_ln
    by_moment = (line[:, :, :, 2] - line[:, :, :, 0]) / (2.0 * math.sqrt(12.0))
    common = _outer(by_rate) + _outer(by_moment)
    common += UNEVENNESS**2 * _outer(middle) * np.exp(-apart / UNEVEN_S)
    common += 10.0 ** (NOISE_DB[noise] / 10.0) * np.eye(TIMES_S.size)
    ring_db, ring_t60_s, _ = RINGS[ring]
    shape = np.exp(-LN_1000 / ring_t60_s * np.maximum(TIMES_S, 0.0))
    common += 10.0 ** (ring_db / 10.0) * _outer(shape) * np.exp(-apart / RING_SPREAD_S)
    return common


def _outer(v: FloatArray) -> FloatArray:
    return np.asarray(v[..., :, None] * v[..., None, :])


def _root(covariance: FloatArray) -> FloatArray:
    """Cholesky's root of many matrices, (n, n, p): lower triangles."""
    n = len(covariance)
    root = np.zeros_like(covariance)
    for at in range(n):
        column = covariance[at:, at] - np.einsum("nmp,mp->np", root[at:, :at], root[at, :at])
        root[at:, at] = column / np.sqrt(column[0])
    return root


def _inverse(root: Float32Array) -> Float32Array:
    """Inverse of many lower triangles, (n, n, p)."""
    inverse = np.zeros_like(root)
    for at in range(len(root)):
        known = np.einsum("np,nmp->mp", root[at, :at], inverse[:at, :at])
        inverse[at, :at] = -known / root[at, at]
        inverse[at, at] = 1.0 / root[at, at]
    return inverse


@functools.lru_cache(maxsize=1)
def _shapes(
    half_width_hz: float,
) -> tuple[FloatArray, dict[float, FloatArray], FloatArray]:
    """Sound of the string, (j, c, a, o, n), and covariances of sound in rooms, (j, c, a, n, n).

    The latter of a room of each T60 at 0 dB, and of early reflections.
    """
    t = np.arange(-0.75, 0.62, GRID_S)
    decay = _felt_decay(t, half_width_hz)  # (c, a, t)

    def at(times_s: FloatArray) -> FloatArray:
        place = (times_s - t[0]) / GRID_S
        low = np.clip(np.floor(place).astype(np.int64), 0, t.size - 2)
        share = np.clip(place - low, 0.0, 1.0)
        return np.asarray(decay[..., low] * (1.0 - share) + decay[..., low + 1] * share)

    moments = COARSE_MOMENTS_S[:, None] + OFFSETS_S
    line = np.moveaxis(at(TIMES_S - moments[..., None]), 2, 0)
    delay = (np.arange(round(LONGEST_S / DELAY_S)) + 0.5) * DELAY_S
    past = at(TIMES_S[:, None] - delay - COARSE_MOMENTS_S[:, None, None])
    past = np.moveaxis(past, 2, 0)  # (j, c, a, n, delay)

    def room(t60_s: float) -> FloatArray:
        # Integral of r exp(-r u) s(t - u) s(t' - u) over the delay u.
        r = 2.0 * LN_1000 / t60_s
        weight = np.exp(-r * (delay - DELAY_S / 2.0)) * (1.0 - math.exp(-r * DELAY_S))
        return np.asarray((past * weight) @ np.swapaxes(past, -1, -2) + math.exp(-r * LONGEST_S))

    rooms = {t60_s: room(t60_s) for t60_s in np.unique(ROOM_T60_S).tolist()}
    return line, rooms, 10.0 ** (EARLY[0] / 10.0) * room(EARLY[1])


def _felt_decay(t: FloatArray, half_width_hz: float) -> FloatArray:
    """Amplitude of a damped partial in a Hann-shaped band, (c, a, t)."""
    half = round(1.5 / half_width_hz / GRID_S)
    x = 2.0 * half_width_hz * GRID_S * np.arange(-half, half + 1)
    near_pole = np.abs(np.abs(x) - 1.0) < 1e-6
    kernel = np.where(near_pole, 0.5, np.sinc(x) / np.where(near_pole, 1.0, 1.0 - x**2))
    kernel /= kernel.sum()
    found = []
    for touch_s, power in TOUCHES:
        before_s = touch_s * power / (power + 1.0)
        u = np.maximum(t + before_s, 0.0)
        soft = touch_s / (power + 1.0) * (u / touch_s) ** (power + 1.0)
        acting_s = np.where(u < touch_s, soft, u - before_s)
        for t60_s in T60_S:
            amplitude = np.pad(np.exp(-LN_1000 / t60_s * acting_s), half, mode="edge")
            found.append(np.convolve(amplitude, kernel, mode="valid"))
    return np.array(found).reshape(len(TOUCHES), T60_S.size, t.size)
