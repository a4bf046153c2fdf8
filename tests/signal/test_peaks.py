"""Peaks of a spectrum, against sinusoids and noise written down as formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.signal.peaks import (
    Spectrum,
    amplitude_spectrum,
    find_peaks,
    local_floor,
    peak_strengths,
)

RATE = 16000
T = np.arange(RATE) / RATE
RNG = np.random.default_rng(8)


@given(hz=st.floats(50.0, 7900.0), amplitude=st.floats(1e-3, 1.0), phase=st.floats(0.0, 6.28))
def test_a_sinusoid_shows_its_frequency_and_amplitude(
    hz: float, amplitude: float, phase: float
) -> None:
    spectrum = amplitude_spectrum(
        amplitude * np.cos(2 * np.pi * hz * T + phase), sample_rate_hz=RATE
    )
    peaks = find_peaks(spectrum, floor=np.full(spectrum.amplitude.size, 1e-9))
    loudest = int(np.argmax(peaks.amplitude))
    # "A hundredth of a bin": bins are 0.5 Hz apart here.
    assert peaks.hz[loudest] == pytest.approx(hz, abs=0.01)
    assert peaks.amplitude[loudest] == pytest.approx(amplitude, rel=2e-3)


def test_two_sinusoids_a_main_lobe_apart_are_two_peaks() -> None:
    spectrum = amplitude_spectrum(
        np.cos(2 * np.pi * 1000.0 * T) + 0.3 * np.cos(2 * np.pi * 1004.5 * T), sample_rate_hz=RATE
    )
    assert spectrum.main_lobe_hz == pytest.approx(2.0)  # Hann: two bins of 1/T each side
    peaks = find_peaks(spectrum)
    strong = peaks.amplitude > 0.1
    assert peaks.hz[strong] == pytest.approx([1000.0, 1004.5], abs=0.1)


def test_peaks_come_upward_in_frequency() -> None:
    x = sum(np.cos(2 * np.pi * hz * T) for hz in (3000.0, 200.0, 1500.0))
    peaks = find_peaks(amplitude_spectrum(np.asarray(x), sample_rate_hz=RATE))
    assert np.all(np.diff(peaks.hz) > 0)


def test_the_floor_of_noise_is_its_mean_and_a_tone_does_not_lift_it() -> None:
    noise = 0.01 * RNG.standard_normal(4 * RATE)
    t = np.arange(noise.size) / RATE
    plain = amplitude_spectrum(noise, sample_rate_hz=RATE)
    toned = amplitude_spectrum(noise + np.cos(2 * np.pi * 2000.0 * t), sample_rate_hz=RATE)
    inside = slice(200, -200)
    ratio = local_floor(plain)[inside].mean() / plain.amplitude[inside].mean()
    assert ratio == pytest.approx(1.0, abs=0.05)
    lifted = local_floor(toned)[inside] / local_floor(plain)[inside]
    # Its neighbourhood is 16 main lobes wide, of which the tone's leakage fills a few.
    assert lifted.max() < 2.0


def test_noise_seldom_makes_a_peak() -> None:
    # Rayleigh: P(a > 10^(12/20) times the mean) = exp(-pi/4 * 15.8) = 4e-6 a bin; 20000 bins.
    noise = RNG.standard_normal(RATE)
    spectrum = amplitude_spectrum(noise, sample_rate_hz=RATE)
    assert find_peaks(spectrum, least_above_db=12.0).hz.size <= 3
    assert find_peaks(spectrum, least_above_db=9.0).hz.size < 0.01 * spectrum.amplitude.size


@given(gain_db=st.floats(-40.0, 20.0))
def test_gain_moves_amplitudes_and_no_frequency(gain_db: float) -> None:
    gain = 10.0 ** (gain_db / 20.0)
    rng = np.random.default_rng(3)
    x = np.cos(2 * np.pi * 700.0 * T) + 0.01 * rng.standard_normal(T.size)
    plain = find_peaks(amplitude_spectrum(x, sample_rate_hz=RATE))
    louder = find_peaks(amplitude_spectrum(gain * x, sample_rate_hz=RATE))
    assert louder.hz == pytest.approx(plain.hz, abs=1e-6)
    assert louder.amplitude == pytest.approx(gain * plain.amplitude, rel=1e-6)
    assert louder.above_floor_db == pytest.approx(plain.above_floor_db, abs=1e-6)


def test_silence_and_a_short_spectrum_have_no_peaks() -> None:
    assert find_peaks(amplitude_spectrum(np.zeros(RATE), sample_rate_hz=RATE)).hz.size == 0
    tiny = Spectrum(amplitude=np.array([0.0, 1.0]), bin_hz=1.0, main_lobe_hz=2.0)
    assert find_peaks(tiny, floor=np.full(2, 1e-9)).hz.size == 0


def test_strength_counts_height_and_little_far_below_the_loudest() -> None:
    hz = np.array([2000.0, 2000.0, 2000.0])
    strength = peak_strengths(hz, np.array([1.0, 0.1, 1e-4]), np.array([40.0, 40.0, 40.0]))
    assert strength[0] == 30.0  # the cap
    assert strength[0] > strength[1] > strength[2] > 0
    assert strength[2] < 0.03 * strength[0]
    # Below 8 dB above the floor a peak is not counted at all.
    assert peak_strengths(hz[:1], np.array([1.0]), np.array([7.0]))[0] == 0.0
    assert peak_strengths(np.zeros(0), np.zeros(0), np.zeros(0)).size == 0


def test_a_loud_soundboard_mode_does_not_hide_a_treble_note() -> None:
    # 120 Hz twenty dB louder than the string at 3 kHz: tilted, they differ by 1.6 dB.
    strength = peak_strengths(
        np.array([120.0, 3000.0]), np.array([1.0, 0.1]), np.array([38.0, 38.0])
    )
    assert strength[1] > 0.9 * strength[0]
