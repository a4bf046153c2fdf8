"""What do room, microphone and mains add to the sound of the piano?

`Room` says what; `microphone_db` gives the microphone's response; `impulse_response` turns it all
into one kernel (direct sound, reflections, reverberation, microphone); `noise_kernel` shapes white
noise; `OverlapAdd` convolves a stream block by block.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import fft

from toneapp._typing import Float32Array, FloatArray

__all__ = ["OverlapAdd", "Room", "impulse_response", "microphone_db", "noise_kernel"]

SLOPES = {"white": 0.0, "pink": -0.5, "brown": -1.0}
"""Exponent of the amplitude over frequency."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Room, microphone and what disturbs them. The default is a close microphone, no noise.

    Levels are relative to a medium blow in the middle of the keyboard (A-weighted RMS of its
    first half second).
    """

    t60_s: float = 0.4  # at 1 kHz; 0 for none
    reverb_db: float = -14.0  # energy of the reverberation relative to the direct sound
    reflections: int = 5  # early ones, 1 to 18 ms after the direct sound
    reflection_db: float = -14.0  # each; they move single partials by some dB
    tilt_db_per_oct: float = 0.0  # of the microphone, about 1 kHz
    low_cut_hz: float = 20.0  # of the microphone, 12 dB an octave
    snr_db: float | None = None  # medium blow above the noise's RMS; None for no noise
    noise_colour: Literal["white", "pink", "brown"] = "pink"
    hum_hz: float = 50.0
    hum_db: float | None = None  # first harmonic; None for none
    gain_db: float = 0.0
    clips: bool = True  # limit to full scale as a converter does
    dc: float = 0.0  # constant offset, as a fraction of full scale


def impulse_response(room: Room, *, sample_rate_hz: int, rng: np.random.Generator) -> FloatArray:
    """Kernel of room and microphone, starting with the direct sound, shape (k,).

    The reverberation is noise in octave bands, each with its own exponential decay: 1.2 times
    the nominal T60 in the lowest band, 0.45 times in the highest.
    """
    length = max(1, int(1.25 * max(room.t60_s, 0.0) * sample_rate_hz))
    kernel = np.zeros(length + 2048)
    if room.t60_s > 0:
        t = np.arange(length) / sample_rate_hz
        size = fft.next_fast_len(length)
        spectrum = fft.rfft(rng.normal(0.0, 1.0, length), size)
        hz = fft.rfftfreq(size, 1.0 / sample_rate_hz)
        edges = [0.0, 177.0, 354.0, 707.0, 1414.0, 2828.0, 5657.0, math.inf]
        factors = [1.2, 1.15, 1.1, 1.0, 0.9, 0.7, 0.45]
        tail = np.zeros(length)
        for low, high, factor in zip(edges[:-1], edges[1:], factors, strict=True):
            band = fft.irfft(np.where((hz >= low) & (hz < high), spectrum, 0.0), size)[:length]
            tail += band * np.exp(-math.log(1000.0) * t / (factor * room.t60_s))
        delay = int(0.004 * sample_rate_hz)
        rise = np.minimum(np.arange(length) / max(1, delay), 1.0)
        tail = np.concatenate([np.zeros(delay // 2), (tail * rise)[: length - delay // 2]])
        tail *= math.sqrt(10.0 ** (room.reverb_db / 10.0) / float(np.sum(tail**2)))
        kernel[:length] += tail
        for _ in range(room.reflections):
            at = int(rng.uniform(0.001, 0.018) * sample_rate_hz)
            level = 10.0 ** ((room.reflection_db + float(rng.normal(0.0, 3.0))) / 20.0)
            if at < kernel.size:
                kernel[at] += float(rng.choice([-1.0, 1.0])) * level
    kernel[0] += 1.0
    size = fft.next_fast_len(2 * kernel.size)
    hz = np.maximum(fft.rfftfreq(size, 1.0 / sample_rate_hz), 1.0)
    response = _minimum_phase(microphone_db(room, hz), size)
    shaped = fft.irfft(fft.rfft(kernel, size) * response, size)
    return np.asarray(shaped[: kernel.size])


def microphone_db(room: Room, frequency_hz: FloatArray) -> FloatArray:
    """Level of the microphone's response at frequencies in Hz, in dB, same shape."""
    hz = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1.0)
    level_db = room.tilt_db_per_oct * np.log2(np.clip(hz, 20.0, 20000.0) / 1000.0)
    return np.asarray(level_db - 10.0 * np.log10(1.0 + (room.low_cut_hz / hz) ** 4))


def _minimum_phase(level_db: FloatArray, size: int) -> np.ndarray:
    """Complex response with this magnitude that starts at once (folded cepstrum)."""
    cepstrum = fft.irfft(level_db * math.log(10.0) / 20.0, size)
    fold = np.zeros(size)
    fold[0] = 1.0
    fold[1 : (size + 1) // 2] = 2.0
    if size % 2 == 0:
        fold[size // 2] = 1.0
    return np.asarray(np.exp(fft.rfft(cepstrum * fold, size)))


def noise_kernel(room: Room, *, sample_rate_hz: int) -> FloatArray:
    """Kernel that gives white noise of RMS 1 the room's colour at RMS 1, shape (k,)."""
    size = 16384
    hz = fft.rfftfreq(size, 1.0 / sample_rate_hz)
    magnitude = np.maximum(hz, 20.0) ** SLOPES[room.noise_colour]
    kernel = np.roll(fft.irfft(magnitude, size), size // 2)
    kernel *= np.hanning(size)
    return np.asarray(kernel / math.sqrt(float(np.sum(kernel**2))))


class OverlapAdd:
    """Convolution of a stream with one kernel, block by block of one size."""

    def __init__(self, kernel: FloatArray, block_samples: int) -> None:
        """Prepare for blocks of `block_samples`."""
        self._block = block_samples
        self._size = fft.next_fast_len(block_samples + kernel.size - 1, real=True)
        self._spectrum = fft.rfft(kernel.astype(np.float32), self._size)
        self._tail = np.zeros(self._size - block_samples, dtype=np.float32)

    def __call__(self, block: Float32Array) -> Float32Array:
        """Convolve the next block; the tail of the earlier ones is added."""
        full = fft.irfft(fft.rfft(block, self._size) * self._spectrum, self._size)
        carry = self._tail.size
        out = full.astype(np.float32)
        out[:carry] += self._tail
        self._tail = out[self._block : self._block + carry].copy()
        return out[: self._block]
