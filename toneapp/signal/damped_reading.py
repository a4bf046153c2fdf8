"""How fast does a damper stop the partials of a note, when the room is heard as well?

After a release the microphone hears the string, which dies as the damper makes it, and the room,
which goes on sounding. Levels alone cannot part the two: sound of the room adds to that of the
string, or takes away from it, by its phase. The complex envelope of a narrow band can. It is
described as::

    z(t) = D s(t) + c(t) + ring + noise
    s(t) = 1 before the release, exp(-a acting(t)) after it
    c(t) = D * integral over u of h(u) s(t - u) du

where the room's response ``h`` is complex Gaussian noise under an exponential [1]_ [2]_, and
``acting`` is the time for which the damper has lain on the string, counted at its full weight: a
felt takes some tens of milliseconds to come to that. Then ``z`` is Gaussian with a known
covariance: the likelihood of every decay, moment, touch and room on a grid can be worked out. What
is read off is the mean over what the sound leaves possible, and its spread is the standard error:
a damper that the room hides has a wide one.

Moment and touch are common to the partials of a note, and its partials' decays lie together: one
damper stops them all. How closely is much the same for all dampers of an instrument, and matters:
of partials that are read to differ more than they do, the slowest lengthen the decay of all. Nor
do all first partials last longer: where the damper lies near an end of the string, long waves move
least. A reading is therefore taken for several likenesses, each with its evidence, and the run
chooses.

Conventions: those of `toneapp.signal.damped_grid`.

Functions: `room_evidence`, `read_damped`.

References
----------
.. [1] J. A. Moorer, "About this reverberation business", Computer Music J. 3(2), 13 (1979) (from
   memory).
.. [2] J.-D. Polack, "La transmission de l'energie sonore dans les salles", these, Le Mans 1988
   (from memory): a room's response as Gaussian noise under an exponential.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray, IntArray
from toneapp.signal.damped import DampedBands
from toneapp.signal.damped_grid import (
    LOST_S,
    MOMENTS_S,
    ROOM_LEVEL_DB,
    ROOM_T60_S,
    T60_S,
    TOUCHES,
)
from toneapp.signal.damped_likelihood import log_likelihood

__all__ = ["LIKENESSES", "MOMENT_LN_PRIOR", "DampedReading", "read_damped", "room_evidence"]

MOMENT_LN_PRIOR = -0.5 * ((MOMENTS_S - 0.005) / 0.02) ** 2
"""The release that was found lies about the true one, rather before the damper's full weight."""
MOST_ASTRAY = 0.3  # share of the likelihood at the ends of the moments tried
UNKNOWN_LN = 9.0  # standard error of what is not known at all
FARTHEST_LN = 1.6  # what lies farther off is another string
LOW_PARTIALS_LN = (0.4, 0.1, 0.0)
"""How much longer the first, second and all further partials last where the motion at the damper
grows as ``sin(n pi d)``, d being its place, an eighth of the string from its end or less (common
practice, no source)."""
LIKENESSES = tuple((low, ln) for low in (0.0, 1.0) for ln in (0.12, 0.2, 0.3, 0.45, 0.65))
"""How the decays of a note's partials may lie together: share of `LOW_PARTIALS_LN` that is so, and
spread of ln T60, from an eighth to a factor of two."""
READ_DB = (5.0, 25.0)  # the range of T20 in ISO 3382-1
OTHER_LN = 0.05  # what the description leaves out, in ln T60
FINE = 5  # points between two decays of the grid
DRAWS = 64
LEAST_LIKELIHOOD = np.float32(1e-30)  # of one partial, over its best: no matter how odd it is
LEAST_ROOM_DB = -40.0  # below stands no room at all
BANDS_AT_ONCE = 4  # more take memory and save no time


@dataclass(frozen=True, slots=True, kw_only=True)
class DampedReading:
    """Damped decay of all partials together, from 5 to 25 dB below the damper's coming to rest.

    One value for each of `LIKENESSES`.
    """

    ln_t60: FloatArray
    ln_t60_se: FloatArray
    ln_evidence: FloatArray  # what the sound says for each
    reverberant: float = 0.0  # share of the room in the energy before the release, 0 to 1


def room_evidence(bands: DampedBands) -> FloatArray:
    """Tell what each partial says for the rooms, moments and touches, whatever its decay.

    Parameters
    ----------
    bands : DampedBands
        Envelopes of the partials.

    Returns
    -------
    ndarray, shape (k, r, j, c)
        Logarithm of the likelihood.
    """
    likelihood = _likelihood(bands, np.arange(ROOM_T60_S.size))
    top = likelihood.max(axis=-1, keepdims=True)
    return np.asarray(top[..., 0] + np.log(np.mean(np.exp(likelihood - top), axis=-1)))


def read_damped(
    bands: DampedBands, *, room_share: FloatArray, touch_share: FloatArray
) -> DampedReading:
    """Read the damped decay beside a room.

    Parameters
    ----------
    bands : DampedBands
        Envelopes of the partials.
    room_share : ndarray, shape (k, r)
        Probability of each room at each partial; rooms of none are not tried.
    touch_share : ndarray, shape (c,)
        Probability of each touch.

    Returns
    -------
    DampedReading
        Of the power of all partials together.
    """
    rooms = np.flatnonzero(room_share.max(axis=0) > 0.0)
    ln_share = np.log(np.maximum(room_share[:, rooms], 1e-12))[:, :, None, None, None]
    likelihood = np.logaddexp.reduce(_likelihood(bands, rooms) + ln_share, axis=1)
    finer, ln_t60, kernels = _decays()
    fine = likelihood @ finer.T  # (k, j, c, f)
    weight = np.exp((fine - fine.max(axis=(1, 2, 3), keepdims=True)).astype(np.float32))
    beforehand = MOMENT_LN_PRIOR[:, None, None] + np.log(np.maximum(touch_share, 1e-12))[:, None]
    n = np.minimum(bands.n, len(LOW_PARTIALS_LN)) - 1
    read = [_read_alike(bands.power, weight, ln_t60, kernel[n], beforehand) for kernel in kernels]
    ln_t60s, errors, evidence = np.array(read).T
    return DampedReading(
        ln_t60=ln_t60s,
        ln_t60_se=errors,
        ln_evidence=evidence,
        reverberant=_reverberant(bands.power, room_share),
    )


def _reverberant(power: FloatArray, room_share: FloatArray) -> float:
    """Share of the room in the energy of all partials, (k,), by the rooms at each, (k, r)."""
    over_direct = np.where(ROOM_LEVEL_DB < LEAST_ROOM_DB, 0.0, 10.0 ** (ROOM_LEVEL_DB / 10.0))
    mean = float(np.average(room_share @ over_direct, weights=power))
    return mean / (1.0 + mean)


def _read_alike(
    power: FloatArray,
    weight: FloatArray,
    ln_t60: FloatArray,
    kernel: FloatArray,
    beforehand: FloatArray,
) -> tuple[float, float, float]:
    """Read a note at one likeness of its partials: ln T60, its error, and the evidence.

    Of partials k, moments j, touches c, decays f and middle decays a: `weight` is (k, j, c, f),
    `kernel` (k, a, f), and `beforehand` what was known of moments and touches, (j, c, 1).
    """
    # Moment, touch and middle decay are those of the note: all partials speak for them.
    spoken = np.log(weight @ np.swapaxes(kernel, 1, 2)[:, None] + LEAST_LIKELIHOOD)
    joint = spoken.sum(axis=0, dtype=np.float64)
    joint += beforehand
    share = np.exp(joint - joint.max())
    evidence = float(joint.max() + np.log(share.sum()))
    share /= share.sum()
    by_moment = share.sum(axis=(1, 2))
    if by_moment[0] + by_moment[-1] > MOST_ASTRAY:
        # The release lies elsewhere, and nothing is known.
        return 0.0, UNKNOWN_LN, evidence
    drawn = np.arange(DRAWS)
    at = np.searchsorted(np.cumsum(share), (drawn + 0.5) / DRAWS)
    j, c, a = np.unravel_index(np.minimum(at, share.size - 1), share.shape)
    cumulated = np.cumsum(weight[:, j, c] * kernel[:, a], axis=-1)  # (k, d, f)
    level = (0.5 + (drawn + 1.0) * _even_steps(power.size)[:, None]) % 1.0
    index = np.sum(cumulated < (level * cumulated[..., -1])[..., None], axis=-1)
    together = _together_ln(power, np.minimum(index, ln_t60.size - 1).T, LOST_S[c])
    return float(np.mean(together)), math.hypot(float(np.std(together)), OTHER_LN), evidence


def _likelihood(bands: DampedBands, rooms: IntArray) -> FloatArray:
    shape = (bands.power.size, rooms.size, MOMENTS_S.size, len(TOUCHES), T60_S.size)
    found = np.empty(shape, dtype=np.float32)
    for level in np.unique(bands.noise):
        alike = np.flatnonzero(bands.noise == level)
        for rows in np.array_split(alike, -(-alike.size // BANDS_AT_ONCE)):
            found[rows] = log_likelihood(
                bands.z[rows], half_width_hz=bands.half_width_hz, noise=int(level), rooms=rooms
            )
    return found


@functools.cache
def _decays() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Finer decays: matrix that interpolates, (f, a), ln T60, (f,), and kernels, (s, low, a, f).

    A kernel tells how the decay of a partial lies about that of its note, for each likeness s.
    """
    coarse = np.arange(T60_S.size)
    points = np.linspace(0.0, T60_S.size - 1.0, FINE * (T60_S.size - 1) + 1)
    matrix = _natural_spline(T60_S.size, points)
    ln_t60 = np.interp(points, coarse, np.log(T60_S))
    low, spread = np.array(LIKENESSES).T[:, :, None, None, None]
    later = np.array(LOW_PARTIALS_LN)[:, None, None]
    off = ln_t60 - np.log(T60_S)[:, None] - low * later
    kernel = np.exp(-0.5 * (off / spread) ** 2) * (np.abs(off) < FARTHEST_LN)
    kernel /= kernel.sum(axis=-1, keepdims=True)
    return matrix, ln_t60, kernel.astype(np.float32)


def _natural_spline(count: int, points: FloatArray) -> FloatArray:
    """Matrix, (p, count), from values at 0, 1, 2 ... to those at points between them.

    The natural cubic spline. Importing `scipy.interpolate` for it takes longer than all the rest
    of the damped decays of a run.
    """
    eye = np.eye(count)
    bend = np.zeros((count, count))  # second derivatives at the knots, of unit values
    inner = np.diag(np.full(count - 2, 4.0))
    inner += np.diag(np.ones(count - 3), 1) + np.diag(np.ones(count - 3), -1)
    bend[1:-1] = np.linalg.solve(inner, 6.0 * np.diff(eye, 2, axis=0))
    left = np.minimum(points.astype(np.int64), count - 2)
    b = (points - left)[:, None]
    a = 1.0 - b
    curved = (a**3 - a) * bend[left] + (b**3 - b) * bend[left + 1]
    return np.asarray(a * eye[left] + b * eye[left + 1] + curved / 6.0)


def _even_steps(count: int) -> FloatArray:
    """Steps that fill the cube of so many sides evenly: powers of the generalised golden ratio."""
    ratio = 2.0
    for _ in range(40):
        ratio = (1.0 + ratio) ** (1.0 / (count + 1.0))
    return np.asarray(ratio ** -np.arange(1.0, count + 1.0))


def _together_ln(power: FloatArray, decay: IntArray, lost_s: FloatArray) -> FloatArray:
    """Return ln T60 of the power of all partials, (d,).

    Of powers (k,), decays (d, k) as places among the finer ones, and what touches lose, (d,).
    """
    rate, t, falls = _falls()
    start = power * np.exp(-rate[decay] * lost_s[:, None])  # as the damper comes to rest
    place = np.arange(len(decay))[:, None] * rate.size + decay
    by_rate = np.bincount(place.ravel(), start.ravel(), minlength=len(decay) * rate.size)
    sum_ = by_rate.reshape(len(decay), rate.size) @ falls
    sum_ /= np.sum(start, axis=-1, keepdims=True)
    fall = -10.0 / math.log(10.0) * np.log(np.maximum(sum_, 1e-30))
    # A line through all points of the range, each for the time it stands for.
    share = np.gradient(t) * ((fall >= READ_DB[0]) & (fall <= READ_DB[1]))
    whole = np.maximum(share.sum(axis=-1, keepdims=True), 1e-12)
    x = t - np.sum(share * t, axis=-1, keepdims=True) / whole
    slope = np.sum(share * x * fall, axis=-1) / np.maximum(np.sum(share * x**2, axis=-1), 1e-12)
    return np.asarray(np.log(60.0 / np.maximum(slope, 1e-3)))


@functools.cache
def _falls() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rates of power of the finer decays in 1/s, (f,), times in s, (t,), and powers, (f, t)."""
    _, ln_t60, _ = _decays()
    rate = 6.0 * math.log(10.0) * np.exp(-ln_t60)
    t = np.geomspace(0.002, 8.0, 160)
    return rate, t, np.exp(-rate[:, None] * t)
