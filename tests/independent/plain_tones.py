"""Tones, voices and knocks written down as formulas: a further source of sounds with known truth.

Shares no code with `toneapp`. A struck string is a sum of decaying cosines at
``n f0 sqrt(1 + B n^2)`` (Fletcher, J. Acoust. Soc. Am. 36, 203, 1964); B follows Young's measured
law (J. Acoust. Soc. Am. 24, 267, 1952: 3.47e-4 at middle C, twice as much every eight keys) with a
wound bass put on by eye. Levels and decay times are plausible, not those of any instrument.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Struck:
    """One blow of a run."""

    midi: int
    onset_s: float
    hold_s: float = 0.6
    level_db: float = -12.0


def equal_tempered_hz(midi: float, *, a4_hz: float = 440.0) -> float:
    """Definition of equal temperament."""
    return a4_hz * 2.0 ** ((midi - 69) / 12.0)


def young_b(midi: float) -> float:
    """B of a key: Young's law, and a part for the wound bass that is made up."""
    return 3.47e-4 * 2.0 ** ((midi - 60) / 8.0) + 2.2e-4 * 2.0 ** (-(midi - 21) / 9.0)


def partials_hz(f1_hz: float, b: float, count: int) -> FloatArray:
    """Fletcher's series through a given first partial."""
    n = np.arange(1, count + 1)
    return np.asarray(f1_hz * n * np.sqrt((1.0 + b * n**2) / (1.0 + b)))


def string_tone(
    *,
    f1_hz: float,
    b: float,
    rate_hz: float,
    length_s: float,
    t60_s: float,
    rng: np.random.Generator,
    tilt_db_per_partial: float = 1.6,
    strike_ratio: float = 0.12,
    most: int = 40,
    scatter_cents: float = 0.0,
) -> FloatArray:
    """Sum of decaying cosines with random phases; peak about 1; starts within 3 ms."""
    hz = partials_hz(f1_hz, b, most)
    if scatter_cents:
        hz = hz * 2.0 ** (rng.normal(0.0, scatter_cents, hz.size) / 1200.0)
    hz = hz[hz < 0.45 * rate_hz]
    t = np.arange(int(length_s * rate_hz)) / rate_hz
    out = np.zeros(t.size)
    for n, f in enumerate(hz, start=1):
        comb = max(abs(math.sin(math.pi * n * strike_ratio)), 0.05)
        # The low bass radiates weakly: 12 dB an octave below 70 Hz.
        radiation = min(1.0, (f / 70.0) ** 2)
        amplitude = comb * radiation * 10.0 ** (-tilt_db_per_partial * (n - 1) / 20.0)
        rate = math.log(1000.0) / (t60_s / math.sqrt(1.0 + f / 1500.0))
        out += amplitude * np.exp(-rate * t) * np.cos(2 * np.pi * f * t + rng.uniform(0, 6.28))
    rise = np.minimum(t / 0.003, 1.0)
    return np.asarray(out * rise / np.max(np.abs(out)))


def struck_run(
    blows: Sequence[Struck],
    *,
    rate_hz: int,
    rng: np.random.Generator,
    detune_cents: float = 0.0,
    noise_dbfs: float = -72.0,
    length_s: float | None = None,
) -> FloatArray:
    """A recording of several blows; keys below F6 are damped at their release (T60 0.15 s)."""
    total_s = length_s or max(blow.onset_s + blow.hold_s for blow in blows) + 1.0
    out = 10.0 ** (noise_dbfs / 20.0) * rng.standard_normal(int(total_s * rate_hz))
    for blow in blows:
        midi = blow.midi
        t60_s = 11.0 * 2.0 ** (-max(midi - 30, 0) / 18.0)
        damped = midi <= 89
        last = min(blow.hold_s + 0.35, 3.0) if damped else min(t60_s, 2.0)
        tone = string_tone(
            f1_hz=equal_tempered_hz(midi + detune_cents / 100.0),
            b=young_b(midi),
            rate_hz=rate_hz,
            length_s=last,
            t60_s=t60_s,
            rng=rng,
        )
        t = np.arange(tone.size) / rate_hz
        if damped:
            tone = tone * np.where(
                t > blow.hold_s, 10.0 ** (-3.0 * np.maximum(t - blow.hold_s, 0) / 0.15), 1.0
            )
        first = int(blow.onset_s * rate_hz)
        tone = tone[: out.size - first] * 10.0 ** (blow.level_db / 20.0)
        out[first : first + tone.size] += tone
    return out


def evenly_spaced(
    midis: Sequence[int], *, first_s: float = 0.6, gap_s: float = 0.9, hold_s: float = 0.6
) -> list[Struck]:
    """One blow after the other."""
    return [
        Struck(midi=midi, onset_s=first_s + i * gap_s, hold_s=hold_s)
        for i, midi in enumerate(midis)
    ]


def syllable(
    *, rate_hz: int, rng: np.random.Generator, length_s: float, voice_hz: float = 120.0
) -> FloatArray:
    """A spoken vowel: a harmonic buzz whose pitch and three formants glide; peak 1.

    Formants of vowels after Peterson & Barney, J. Acoust. Soc. Am. 24, 175 (1952), rounded.
    """
    vowels = ((270, 2290, 3010), (660, 1720, 2410), (730, 1090, 2440), (300, 870, 2240))
    start, stop = (np.array(vowels[int(i)], float) for i in rng.permutation(4)[:2])
    t = np.arange(int(length_s * rate_hz)) / rate_hz
    share = t / length_s
    glide = 2.0 ** ((rng.uniform(-4, 4) * share + 0.4 * np.sin(2 * np.pi * 5.2 * t)) / 12.0)
    phase = 2.0 * np.pi * np.cumsum(voice_hz * glide) / rate_hz
    out = np.zeros(t.size)
    for n in range(1, int(min(3800.0, 0.45 * rate_hz) / voice_hz)):
        hz = n * voice_hz * glide
        gain = np.zeros(t.size)
        for a, b, width in zip(start, stop, (80.0, 110.0, 170.0), strict=True):
            gain += 1.0 / (1.0 + ((hz - (a + (b - a) * share)) / width) ** 2)
        out += gain / n**0.5 * np.cos(n * phase)
    out *= np.sin(np.pi * share) ** 0.6
    return np.asarray(out / np.max(np.abs(out)))


def knock(*, rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """A knuckle on wood: low modes that last 30 ms, and a click; peak 1."""
    t = np.arange(int(0.2 * rate_hz)) / rate_hz
    out = 0.4 * rng.standard_normal(t.size) * np.exp(-t / 0.004)
    for hz in rng.uniform(90.0, 700.0, 6):
        out += np.exp(-t / 0.03) * np.cos(2 * np.pi * hz * t + rng.uniform(0, 6.28)) / 3.0
    return np.asarray(out / np.max(np.abs(out)))


def put(
    into: FloatArray, sound: FloatArray, *, at_s: float, rate_hz: int, level_db: float
) -> None:
    """Add a sound to a recording, in place."""
    first = int(at_s * rate_hz)
    part = sound[: into.size - first]
    into[first : first + part.size] += 10.0 ** (level_db / 20.0) * part
