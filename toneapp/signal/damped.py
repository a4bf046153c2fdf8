"""How fast does a damper stop a partial, when the room is heard as well?

After a release the microphone hears the string, which dies as the damper makes it, and the room,
which goes on sounding. Levels alone cannot part the two: sound of the room adds to that of the
string, or takes away from it, by its phase. The complex envelope of a narrow band can. It is
described as::

    z(t) = D s(t) + c(t) + ring + noise
    s(t) = 1 before the release, exp(-a (t - t0)) after it (with the soft touch of a felt)
    c(t) = D * integral over u of h(u) s(t - u) du

where the room's response ``h`` is complex Gaussian noise under an exponential [1]_ [2]_. Then
``z`` is Gaussian with a known covariance: the likelihood of every decay, moment and room
on a grid can be worked out. What is read off is the mean over what the sound leaves possible, and
its spread is the standard error: a damper that the room hides has a wide one.

Conventions: times in s from the release that was found; rates of amplitude in 1/s; T60 in s.

Functions: `cut_damped_bands`, `strongest_bands`, `read_damped`.

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
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray, IntArray
from toneapp.signal.bands import StrikeTransform, extract_bands
from toneapp.signal.damped_likelihood import (
    HALF_WIDTHS_HZ,
    MOMENTS_S,
    NOISE_DB,
    ROOM_T60_S,
    T60_S,
    TIMES_S,
    log_likelihood,
)

__all__ = [
    "DampedBands",
    "DampedReading",
    "cut_damped_bands",
    "read_damped",
    "strongest_bands",
]

LEAST_TIMES = 10  # 70 ms after the release
MOMENT_SPREAD_S = 0.015  # of the release that was found about the true one
MOST_ASTRAY = 0.3  # share of the likelihood at the ends of the moments tried
UNKNOWN_LN = 9.0  # standard error of what is not known at all
WIDTH_OVER_F0 = 0.95  # a Hann-shaped band this wide hears nothing of its neighbours' middles
NOISE_MARGIN_DB = 2.0
FASTEST_HELD = -8.0  # 1/s; before a release no damped note falls faster than a T60 of 0.9 s
MOST_NOISE = 0.016  # of the partial's power before the release
MOST_PARTIALS = 16
RANGE_DB = 35.0  # weaker partials do not reach into the range that is read
LEADING_DB = 15.0  # partials that bear witness of room and moment
SIBLING_LN = 0.6  # spread of ln T60 over the partials of a note; free strings lie outside
FULL_WEIGHT_S = 0.0067  # decay that the soft touch is worth: levels count from the damper at rest
READ_DB = (5.0, 25.0)  # the range of T20 in ISO 3382-1
OTHER_LN = 0.05  # what the description leaves out, in ln T60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DampedBands:
    """Complex envelopes of the strongest partials about a release, each over its level before."""

    z: ComplexArray  # (k, m) at the first m of `TIMES_S`
    power: FloatArray  # (k,) before the release
    noise: IntArray  # (k,) index into `NOISE_DB`
    half_width_hz: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DampedReading:
    """What each of some rooms makes of a release."""

    evidence: FloatArray  # (r,) ln of the likelihood of the rooms
    ln_t60: FloatArray  # (r,) of all partials together
    ln_t60_se: FloatArray  # (r,)


def cut_damped_bands(
    transform: StrikeTransform,
    *,
    centres_hz: FloatArray,
    f0_hz: float,
    release_s: float,
    end_s: float,
    noise_density: Callable[[FloatArray], FloatArray],
) -> DampedBands | None:
    """Cut bands about the partials, as wide as they allow, at the times that are compared.

    Parameters
    ----------
    transform : StrikeTransform
        The sound of the strike.
    centres_hz : ndarray, shape (k,)
        Frequencies of the partials in Hz.
    f0_hz : float
        Spacing of the partials in Hz.
    release_s, end_s : float
        Release, and end of what belongs to the strike, in s from the first sample of the sound.
    noise_density : callable
        Room noise in mean square per Hz at given frequencies.

    Returns
    -------
    DampedBands or None
        ``None`` where no partial stands clear of the noise or too little follows the release.
    """
    width = next((w for w in HALF_WIDTHS_HZ if w <= WIDTH_OVER_F0 * f0_hz), HALF_WIDTHS_HZ[-1])
    count = int(np.count_nonzero(end_s - 0.5 / width > release_s + TIMES_S))
    bands = extract_bands(transform, centres_hz=centres_hz, half_width_hz=width)
    t = bands.times_s - release_s
    before = (t > -0.09) & (t < -0.005)
    if count < LEAST_TIMES or np.count_nonzero(before) < 3:
        return None
    held = bands.envelopes[:, before]
    power = np.mean(np.abs(held) ** 2, axis=1)
    # An envelope of modulus A stands for a mean square of A^2/2, hence twice.
    noise = 2.0 * noise_density(bands.centres_hz) * bands.noise_bandwidth_hz
    share = noise / np.maximum(power, 1e-300)
    used = np.flatnonzero(
        (share < MOST_NOISE) & (power > power.max() * 10.0 ** (-RANGE_DB / 10.0))
    )
    used = np.sort(used[np.argsort(-power[used])][:MOST_PARTIALS])
    if used.size == 0:
        return None
    held, share = held[used], share[used]
    # Frequency and slope before the release are taken out: what is left stands still until then.
    turn = np.angle(np.sum(held[:, 1:] * np.conj(held[:, :-1]), axis=1)) * bands.rate_hz
    x = t[before] - t[before].mean()
    slope = np.log(np.abs(held) + 1e-300) @ x / (x @ x)
    if float(np.average(slope, weights=np.sqrt(power[used]))) < FASTEST_HELD:
        return None
    slope = np.clip(slope, FASTEST_HELD, -FASTEST_HELD)
    z = bands.envelopes[used] * np.exp(
        -1j * turn[:, None] * t - slope[:, None] * np.minimum(t, 0.0)
    )
    level = np.sqrt(power[used])[:, None]
    at = TIMES_S[:count]
    sampled = np.stack([np.interp(at, t, row.real) + 1j * np.interp(at, t, row.imag) for row in z])
    share_db = 10.0 * np.log10(np.maximum(share, 1e-9))
    index = np.searchsorted(np.array(NOISE_DB), share_db + NOISE_MARGIN_DB)
    return DampedBands(
        z=sampled / level,
        power=power[used],
        noise=np.minimum(index, len(NOISE_DB) - 1),
        half_width_hz=width,
    )


def strongest_bands(bands: DampedBands, count: int) -> DampedBands:
    """Keep the strongest partials, which suffice to tell the room."""
    kept = np.sort(np.argsort(-bands.power)[:count])
    return DampedBands(
        z=bands.z[kept],
        power=bands.power[kept],
        noise=bands.noise[kept],
        half_width_hz=bands.half_width_hz,
    )


def read_damped(bands: DampedBands, rooms: IntArray | None = None) -> DampedReading:
    """Read the damped decay under some rooms.

    Parameters
    ----------
    bands : DampedBands
        Envelopes of the partials.
    rooms : ndarray of int, optional
        Which of the rooms are tried; all of them without it.

    Returns
    -------
    DampedReading
        One entry for each room. `ln_t60` is of the power of all partials from 5 to 25 dB below
        the damper's coming to rest.
    """
    chosen = np.arange(ROOM_T60_S.size) if rooms is None else np.asarray(rooms)
    likelihood = np.empty((bands.power.size, chosen.size, MOMENTS_S.size, T60_S.size))
    for level in np.unique(bands.noise):
        rows = bands.noise == level
        likelihood[rows] = log_likelihood(
            bands.z[rows], half_width_hz=bands.half_width_hz, noise=int(level), rooms=chosen
        )
    return _read_off(likelihood, bands.power)


_FINE = 5


@functools.cache
def _finer() -> tuple[FloatArray, FloatArray]:
    """Matrix that interpolates over the decays, (f, a), and ln T60 of the finer points, (f,)."""
    from scipy.interpolate import CubicSpline

    coarse = np.arange(T60_S.size)
    fine = np.linspace(0.0, T60_S.size - 1.0, _FINE * (T60_S.size - 1) + 1)
    matrix = CubicSpline(coarse, np.eye(T60_S.size), bc_type="natural")(fine)
    return np.asarray(matrix), np.interp(fine, coarse, np.log(T60_S))


def _read_off(likelihood: FloatArray, power: FloatArray) -> DampedReading:
    """Average over moments and decays, and add the partials up."""
    matrix, ln_t60 = _finer()
    fine = likelihood @ matrix.T  # (k, r, j, f)
    top = fine.max(axis=-1, keepdims=True)
    weight = np.exp(fine - top)
    evidence = top[..., 0] + np.log(weight.mean(axis=-1))  # (k, r, j)
    leading = power > power.max() * 10.0 ** (-LEADING_DB / 10.0)
    joint = evidence[leading].sum(axis=0) - 0.5 * (MOMENTS_S / MOMENT_SPREAD_S) ** 2
    best = joint.max(axis=1, keepdims=True)
    by_moment = np.exp(joint - best)
    ln_room = best[:, 0] + np.log(by_moment.sum(axis=1))
    by_moment /= by_moment.sum(axis=1, keepdims=True)
    weight = weight * _sibling_prior(weight, ln_t60, power)
    weight /= weight.sum(axis=-1, keepdims=True)
    mean = weight @ ln_t60
    square = weight @ ln_t60**2
    mean_r = np.einsum("krj,rj->rk", mean, by_moment)
    variance = np.einsum("krj,rj->rk", square, by_moment) - mean_r**2
    together = _together_ln(power, mean_r)
    step = 0.05 * np.eye(power.size)
    slope = (_together_ln(power, mean_r[:, None] + step) - together[:, None]) / 0.05  # (r, k)
    se = np.sqrt(np.sum(slope**2 * np.maximum(variance, 0.0), axis=1) + OTHER_LN**2)
    # At an end of the moments tried the release lies elsewhere, and nothing is known.
    astray = by_moment[:, 0] + by_moment[:, -1] > MOST_ASTRAY
    return DampedReading(
        evidence=ln_room, ln_t60=together, ln_t60_se=np.where(astray, UNKNOWN_LN, se)
    )


def _sibling_prior(weight: FloatArray, ln_t60: FloatArray, power: FloatArray) -> FloatArray:
    """Prior of a partial's decay by those of the others, (k, r, j, f).

    One damper stops all partials of a note within a factor of some two; what goes on ten times as
    long at one of them is another string.
    """
    total = weight.sum(axis=-1)
    mean = weight @ ln_t60 / total
    variance = np.maximum(weight @ ln_t60**2 / total - mean**2, 0.0)
    trust = np.sqrt(power)[:, None, None] / (0.25 + variance)
    middle = np.sum(trust * mean, axis=0) / trust.sum(axis=0)
    for _ in range(3):
        near = trust / (1.0 + ((mean - middle) / 0.5) ** 2)
        middle = np.sum(near * mean, axis=0) / near.sum(axis=0)
    prior = np.exp(-0.5 * ((ln_t60 - middle[..., None]) / SIBLING_LN) ** 2)
    return np.asarray(np.broadcast_to(prior, weight.shape))


def _together_ln(power: FloatArray, ln_t60: FloatArray) -> FloatArray:
    """Return ln T60 of the power of all partials, shape (...,) for ln T60 of shape (..., k)."""
    rate = 6.0 * math.log(10.0) * np.exp(-ln_t60)
    start = power * np.exp(-rate * FULL_WEIGHT_S)
    t = np.geomspace(0.002, 8.0, 300)
    sum_ = np.sum(
        start[..., None, :] * np.exp(-rate[..., None, :] * t[:, None]), axis=-1
    ) / np.sum(start, axis=-1, keepdims=True)
    fall = -10.0 / math.log(10.0) * np.log(np.maximum(sum_, 1e-30))
    # A line through all points of the range, each for the time it stands for.
    share = np.gradient(t) * ((fall >= READ_DB[0]) & (fall <= READ_DB[1]))
    whole = np.maximum(share.sum(axis=-1, keepdims=True), 1e-12)
    x = t - np.sum(share * t, axis=-1, keepdims=True) / whole
    slope = np.sum(share * x * fall, axis=-1) / np.maximum(np.sum(share * x**2, axis=-1), 1e-12)
    return np.asarray(np.log(60.0 / np.maximum(slope, 1e-3)))
