"""Sounds beside the strings: the knock of the blow, the key's fall, talk, ticks.

Functions: `blow_noise`, `release_noise`, `disturbance_sound`; each returns samples of unit RMS
(over the stretch that counts) for the caller to scale. They are plausible shapes of common
practice, without a source.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import fft

from toneapp._typing import FloatArray
from toneapp.simulate.instrument import Soundboard
from toneapp.simulate.plan import Disturbance

__all__ = ["blow_noise", "disturbance_sound", "release_noise"]


def _board(
    soundboard: Soundboard, rng: np.random.Generator, t: FloatArray, *, top_hz: float
) -> FloatArray:
    """Soundboard struck somewhere: its modes in random strength, fading towards `top_hz`."""
    hz = np.array(soundboard.mode_hz)
    decay = math.log(1000.0) / np.array(soundboard.mode_t60_s)
    weight = rng.normal(0.0, 1.0, hz.size) / (1.0 + (hz / top_hz) ** 2)
    wave = np.sin(2.0 * np.pi * hz[:, None] * t) * np.exp(-decay[:, None] * t)
    return np.asarray(weight @ wave)


def _burst(
    rng: np.random.Generator, t: FloatArray, *, decay_s: float, low_hz: float, high_hz: float
) -> FloatArray:
    """Noise between two frequencies that dies away."""
    sample_rate_hz = 1.0 / (t[1] - t[0])
    spectrum = fft.rfft(rng.normal(0.0, 1.0, t.size))
    hz = np.maximum(fft.rfftfreq(t.size, 1.0 / sample_rate_hz), 1.0)
    spectrum /= np.sqrt(1.0 + (low_hz / hz) ** 4) * np.sqrt(1.0 + (hz / high_hz) ** 4)
    noise = fft.irfft(spectrum, t.size)
    noise *= np.exp(-t / decay_s) * np.minimum(t / 5e-4, 1.0)
    return np.asarray(noise / math.sqrt(float(np.mean(noise**2)) + 1e-30))


def _unit(wave: FloatArray) -> FloatArray:
    """Scale to RMS 1."""
    return np.asarray(wave / math.sqrt(float(np.mean(wave**2)) + 1e-30))


def blow_noise(
    soundboard: Soundboard, *, sample_rate_hz: int, rng: np.random.Generator
) -> FloatArray:
    """Knock of hammer and key: soundboard modes and a short burst; RMS 1 over 50 ms."""
    t = np.arange(int(0.16 * sample_rate_hz)) / sample_rate_hz
    wave = _unit(_board(soundboard, rng, t, top_hz=500.0))
    wave = wave + 0.8 * _burst(rng, t, decay_s=0.008, low_hz=150.0, high_hz=2500.0)
    fade = np.minimum((t[-1] - t) / 0.02, 1.0)
    wave = wave * fade
    early = wave[: int(0.05 * sample_rate_hz)]
    return np.asarray(wave / math.sqrt(float(np.mean(early**2)) + 1e-30))


def release_noise(
    soundboard: Soundboard, *, sample_rate_hz: int, rng: np.random.Generator
) -> FloatArray:
    """Key coming up and felt meeting strings; RMS 1 over its 120 ms."""
    t = np.arange(int(0.12 * sample_rate_hz)) / sample_rate_hz
    wave = _unit(_board(soundboard, rng, t, top_hz=160.0))
    wave = wave + 0.5 * _burst(rng, t, decay_s=0.02, low_hz=200.0, high_hz=1500.0)
    return _unit(wave * np.minimum((t[-1] - t) / 0.02, 1.0))


def disturbance_sound(
    event: Disturbance, soundboard: Soundboard, *, sample_rate_hz: int, rng: np.random.Generator
) -> FloatArray:
    """Sound of a disturbance at RMS 1 over its duration."""
    t = np.arange(max(64, int(event.duration_s * sample_rate_hz))) / sample_rate_hz
    if event.kind == "talk":
        return _unit(_talk(t, rng))
    if event.kind == "knock":
        wave = _unit(_board(soundboard, rng, t, top_hz=700.0))
        return _unit(wave + _burst(rng, t, decay_s=0.01, low_hz=80.0, high_hz=3000.0))
    if event.kind == "tick":
        return _unit(_burst(rng, t, decay_s=0.002, low_hz=1500.0, high_hz=6000.0))
    return _unit(_board(soundboard, rng, t, top_hz=120.0) * np.exp(-t / 0.05))


def _talk(t: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Syllables: harmonics of a gliding voice through three formants, with hiss between."""
    voice = np.zeros(t.size)
    start, pitch = 0.0, float(rng.uniform(95.0, 220.0))
    while start < t[-1]:
        length = float(rng.uniform(0.12, 0.28))
        where = (t >= start) & (t < start + length)
        local = t[where] - start
        if local.size > 16:
            glide = pitch * 2.0 ** (float(rng.normal(0.0, 0.15)) * local / length)
            phase = 2.0 * np.pi * np.cumsum(glide) * (t[1] - t[0])
            formants = [rng.uniform(*band) for band in ((280, 800), (900, 2300), (2400, 3100))]
            sound = np.zeros(local.size)
            for k in range(1, int(3800.0 / pitch)):
                hz = k * pitch
                level = sum(1.0 / (1.0 + ((hz - f) / 90.0) ** 2) for f in formants)
                sound += level / k**0.5 * np.sin(k * phase)
            voice[where] += sound * np.sin(np.pi * local / length) ** 0.7
        start += length + float(rng.uniform(0.0, 0.08))
    hiss = _burst(rng, t, decay_s=1e3, low_hz=2500.0, high_hz=7000.0)
    size = float(np.sqrt(np.mean(voice**2))) + 1e-9
    return np.asarray(voice + 0.08 * size * hiss)
