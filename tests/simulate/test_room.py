"""Room, microphone and noise of the simulation."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.simulate import Disturbance, Room, make_piano
from toneapp.simulate.clatter import disturbance_sound
from toneapp.simulate.room import OverlapAdd, impulse_response, noise_kernel

RATE = 48000


def test_microphone_tilts_and_starts_at_once() -> None:
    room = Room(t60_s=0.0, tilt_db_per_oct=-3.0)
    kernel = impulse_response(room, sample_rate_hz=RATE, rng=np.random.default_rng(1))
    hz = np.fft.rfftfreq(kernel.size, 1.0 / RATE)
    level_db = 20.0 * np.log10(np.abs(np.fft.rfft(kernel)))
    at = [float(np.interp(f, hz, level_db)) for f in (500.0, 1000.0, 4000.0)]
    assert at == pytest.approx([3.0, 0.0, -6.0], abs=0.3)
    # Minimum phase: half of the energy has come within a millisecond.
    energy = np.cumsum(kernel**2)
    assert np.searchsorted(energy, 0.5 * energy[-1]) < RATE // 1000


def test_reverberation_has_its_energy() -> None:
    room = Room(t60_s=0.5, reverb_db=-10.0, reflections=0, low_cut_hz=1.0)
    kernel = impulse_response(room, sample_rate_hz=RATE, rng=np.random.default_rng(1))
    # The direct sound is the kernel's first samples; the tail begins 2 ms later.
    direct, tail = np.sum(kernel[:40] ** 2), np.sum(kernel[90:] ** 2)
    assert 10.0 * np.log10(tail / direct) == pytest.approx(-10.0, abs=0.5)


@pytest.mark.parametrize(("colour", "slope"), [("white", 0.0), ("pink", -3.01), ("brown", -6.02)])
def test_noise_falls_as_its_colour_says(colour: str, slope: float) -> None:
    room = Room(noise_colour=colour)  # type: ignore[arg-type]  # parametrised
    kernel = noise_kernel(room, sample_rate_hz=RATE)
    power_db = 20.0 * np.log10(np.abs(np.fft.rfft(kernel)))
    hz = np.fft.rfftfreq(kernel.size, 1.0 / RATE)
    use = (hz > 200.0) & (hz < 10000.0)
    assert np.polyfit(np.log2(hz[use]), power_db[use], 1)[0] == pytest.approx(slope, abs=0.05)


def test_block_convolution_is_convolution() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal(1000).astype(np.float32)
    kernel = rng.standard_normal(700)
    stream = OverlapAdd(kernel, 250)
    joined = np.concatenate([stream(x[i : i + 250]) for i in range(0, 1000, 250)])
    assert joined == pytest.approx(np.convolve(x, kernel)[:1000], abs=1e-3)


@pytest.mark.parametrize("kind", ["talk", "knock", "tick", "thump"])
def test_disturbances_last_as_long_as_said_at_unit_level(kind: str) -> None:
    event = Disturbance(kind=kind, onset_s=0.0, duration_s=0.4)  # type: ignore[arg-type]
    board = make_piano(np.random.default_rng(1)).soundboard
    wave = disturbance_sound(event, board, sample_rate_hz=RATE, rng=np.random.default_rng(3))
    assert wave.size == int(0.4 * RATE)
    assert np.sqrt(np.mean(wave**2)) == pytest.approx(1.0, rel=1e-6)
