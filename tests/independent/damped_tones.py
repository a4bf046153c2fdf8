"""Damped tones in a room, written down as formulas: sounds after a release with known truth.

Shares no code with `toneapp`. Partials are cosines whose rate of decay changes when a felt comes
down; the room is noise under an exponential, convolved with them (Moorer, Computer Music J. 3(2),
13, 1979, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

RATE_HZ = 48000
START_S = 0.3  # silence before the note
HOLD_S = 0.9
RELEASE_S = START_S + HOLD_S
NATURAL_T60_S = 6.0
FELT_S = 0.015


@dataclass(frozen=True, kw_only=True)
class DampedTone:
    """Sound of one note, and what is true of it."""

    samples: FloatArray
    f0_hz: float
    partials_hz: FloatArray
    t60_s: float  # of the level of all partials, from 5 to 25 dB down
    noise_density: float  # mean square per Hz


def room_response(
    rng: np.random.Generator, *, t60_s: float, level_db: float, reflections: int = 0
) -> FloatArray:
    """Direct sound of 1, then noise of an energy of `level_db` that dies with `t60_s`."""
    out = rng.standard_normal(int(1.3 * t60_s * RATE_HZ))
    out *= 10.0 ** (-3.0 * np.arange(out.size) / RATE_HZ / t60_s)
    out *= math.sqrt(10.0 ** (level_db / 10.0) / float(np.sum(out**2)))
    out[0] += 1.0
    for _ in range(reflections):
        at = int(rng.uniform(0.001, 0.018) * RATE_HZ)
        out[at] += rng.choice([-1.0, 1.0]) * 10.0 ** (-14.0 / 20.0)
    return np.asarray(out)


def octave_room(
    rng: np.random.Generator, *, t60_s: dict[float, float], level_db: float
) -> FloatArray:
    """Direct sound of 1, then noise whose T60 depends on the frequency.

    `t60_s` names the lower edge of each band in Hz and its T60. `level_db` is the energy of the
    first band's noise over that of the direct sound in it; all bands begin equally loud.
    """
    longest = max(t60_s.values())
    size = int(1.3 * longest * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(size))
    hz = np.fft.rfftfreq(size, 1.0 / RATE_HZ)
    edges = [*t60_s, math.inf]
    out = np.zeros(size)
    for i, (low, own) in enumerate(t60_s.items()):
        band = np.fft.irfft(np.where((hz >= low) & (hz < edges[i + 1]), spectrum, 0.0), size)
        out += band * 10.0 ** (-3.0 * np.arange(size) / RATE_HZ / own)
    first = next(iter(t60_s.values()))
    # White noise of unit variance: its energy in a band over the direct sound's is the sum of
    # the squared decay.
    energy = float(np.sum(10.0 ** (-6.0 * np.arange(size) / RATE_HZ / first)))
    out *= math.sqrt(10.0 ** (level_db / 10.0) / energy)
    out[0] += 1.0
    return np.asarray(out)


def damped_tone(
    rng: np.random.Generator,
    *,
    midi: int,
    t60_s: float,
    room: FloatArray | None = None,
    noise_db: float = -75.0,
    free_string: tuple[int, float, float] | None = None,
    felt_s: float = FELT_S,
    felt_power: float = 2.0,
    partials_ln: float = 0.25,
    per_n: float = 0.3,
) -> DampedTone:
    """One note, held and let go; partials die within some 25 % of `t60_s`, higher ones sooner.

    They scatter by `partials_ln` in ln T60, which falls with a power `per_n` of their number.

    `free_string` adds a string that answers: number of the partial, level over it in dB, T60 in s.
    The felt comes to its full weight within `felt_s`, its share growing with a power of time.
    """
    f0 = 440.0 * 2.0 ** ((midi - 69) / 12.0)
    n = np.arange(1, max(1, min(20, int(5000.0 / f0))) + 1)
    hz = f0 * n * np.sqrt(1.0 + (3e-4 * 2.0 ** ((midi - 60) / 8.0) + 1e-4) * n**2)
    amplitude = 10.0 ** (-(4.0 * rng.random(n.size) + 36.0 * (n - 1) / max(n.size, 12)) / 20.0)
    damped = t60_s * np.exp(rng.normal(0.0, partials_ln, n.size)) * n**-per_n
    t = np.arange(int((HOLD_S + 1.4) * RATE_HZ)) / RATE_HZ
    u = np.maximum(t - HOLD_S, 0.0)
    soft = felt_s / (felt_power + 1.0) * (u / felt_s) ** (felt_power + 1.0)
    acting = np.where(u < felt_s, soft, u - felt_s * felt_power / (felt_power + 1.0))
    sound = np.zeros(t.size)
    for k in range(n.size):
        envelope = 10.0 ** (-3.0 * (t / NATURAL_T60_S + acting / damped[k]))
        sound += (
            amplitude[k] * envelope * np.cos(2 * np.pi * hz[k] * t + rng.uniform(0, 2 * np.pi))
        )
    if free_string is not None:
        number, level_db, ring_t60_s = free_string
        sound += (
            amplitude[number - 1]
            * 10.0 ** (level_db / 20.0 - 3.0 * u / ring_t60_s)
            * np.cos(2 * np.pi * (hz[number - 1] * 2.0 ** (0.7 / 1200.0)) * t + 1.0)
        )
    sound *= np.minimum(t / 0.003, 1.0)
    if room is not None:
        size = 1 << (sound.size + room.size).bit_length()
        spectrum = np.fft.rfft(sound, size) * np.fft.rfft(room, size)
        sound = np.fft.irfft(spectrum, size)[: sound.size]
    samples = np.concatenate([np.zeros(int(START_S * RATE_HZ)), sound])
    sigma = 10.0 ** (noise_db / 20.0) * float(np.sqrt(np.mean(sound[: RATE_HZ // 2] ** 2)))
    samples = samples + sigma * rng.standard_normal(samples.size)
    grid = np.linspace(0.0, 4.0, 8001)
    rate = 6.0 * (1.0 / damped + 1.0 / NATURAL_T60_S)[:, None]
    level = 10.0 * np.log10(
        np.sum(amplitude[:, None] ** 2 * 10.0 ** (-rate * grid), axis=0) + 1e-30
    )
    level -= level[0]
    used = (level <= -5.0) & (level >= -25.0)
    return DampedTone(
        samples=samples,
        f0_hz=f0,
        partials_hz=hz,
        t60_s=-60.0 / float(np.polyfit(grid[used], level[used], 1)[0]),
        noise_density=sigma**2 / (RATE_HZ / 2),
    )
