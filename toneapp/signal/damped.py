"""What is kept of the sound about a release, to tell the damper from the room?

Complex envelopes of the strongest partials at a few times before and after the damper comes down;
`toneapp.signal.damped_reading` reads them.

Conventions: times in s from the release that was found; rates of amplitude in 1/s.

Functions: `cut_damped_bands`, `some_bands`, `strongest_bands`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import BoolArray, ComplexArray, FloatArray, IntArray
from toneapp.signal.bands import StrikeTransform, extract_bands
from toneapp.signal.damped_grid import HALF_WIDTHS_HZ, NOISE_DB, TIMES_S

__all__ = [
    "DampedBands",
    "cut_damped_bands",
    "some_bands",
    "strongest_bands",
]

LEAST_TIMES = 10  # 70 ms after the release
WIDTH_OVER_F0 = 0.95  # a Hann-shaped band this wide hears nothing of its neighbours' middles
NOISE_MARGIN_DB = 2.0
FASTEST_HELD = -8.0  # 1/s; before a release no damped note falls faster than a T60 of 0.9 s
MOST_NOISE = 0.016  # of the partial's power before the release
MOST_PARTIALS = 16
RANGE_DB = 35.0  # weaker partials do not reach into the range that is read


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DampedBands:
    """Complex envelopes of the strongest partials about a release, each over its level before."""

    z: ComplexArray  # (k, m) at the first m of `TIMES_S`
    hz: FloatArray  # (k,)
    n: IntArray  # (k,) number of the partial; of stretched high ones one or two too many
    power: FloatArray  # (k,) before the release
    noise: IntArray  # (k,) index into `NOISE_DB`
    half_width_hz: float


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
        hz=bands.centres_hz[used],
        n=np.maximum(1, np.round(bands.centres_hz[used] / f0_hz)).astype(np.int64),
        power=power[used],
        noise=np.minimum(index, len(NOISE_DB) - 1),
        half_width_hz=width,
    )


def strongest_bands(bands: DampedBands, count: int) -> DampedBands:
    """Keep the strongest partials, which suffice to tell the room."""
    return some_bands(bands, np.sort(np.argsort(-bands.power)[:count]))


def some_bands(bands: DampedBands, kept: IntArray | BoolArray) -> DampedBands:
    """Keep some of the partials, by their places or by a mask."""
    return replace(
        bands,
        z=bands.z[kept],
        hz=bands.hz[kept],
        n=bands.n[kept],
        power=bands.power[kept],
        noise=bands.noise[kept],
    )
