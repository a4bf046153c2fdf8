"""Narrow bands cut out of one transform, against sinusoids written down as formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.signal.bands import extract_bands, transform_strike

RATE = 16000
T = np.arange(RATE) / RATE


def _envelope(x: np.ndarray, hz: float, half_width_hz: float = 30.0) -> tuple[np.ndarray, ...]:
    bands = extract_bands(
        transform_strike(x, sample_rate_hz=RATE),
        centres_hz=np.array([hz]),
        half_width_hz=half_width_hz,
    )
    return bands.times_s, bands.envelopes[0], bands.centres_hz[0]


@given(hz=st.floats(60.0, 7500.0), amplitude=st.floats(1e-4, 1.0), phase=st.floats(0.0, 6.28))
def test_the_modulus_is_the_amplitude_of_the_sinusoid(
    hz: float, amplitude: float, phase: float
) -> None:
    times, envelope, _ = _envelope(amplitude * np.cos(2 * np.pi * hz * T + phase), hz)
    inside = (times > 0.1) & (times < 0.9)  # the ends of the sound are smeared over 2/(30 Hz)
    # The centre is on the nearest of bins 0.87 Hz apart, where the raised cosine of half-width
    # 30 Hz has lost at most (pi/2 * 0.435/30)^2 = 0.05 %; the abrupt ends ripple by as much again.
    assert np.abs(envelope[inside]) == pytest.approx(amplitude, rel=4e-3)


def test_the_phase_turns_at_the_distance_from_the_centre() -> None:
    times, envelope, centre = _envelope(np.cos(2 * np.pi * 1003.3 * T), 1000.4)
    inside = (times > 0.1) & (times < 0.9)
    slope = np.polyfit(times[inside], np.unwrap(np.angle(envelope[inside])), 1)[0] / (2 * np.pi)
    # Against the centre really used; the ripple of the ends averages out to well below 1 mHz.
    assert centre + slope == pytest.approx(1003.3, abs=1e-3)


def test_a_band_has_no_delay() -> None:
    start_s = 0.4
    burst = np.where(np.abs(T - start_s) < 0.004, np.cos(2 * np.pi * 2000.0 * T), 0.0)
    times, envelope, _ = _envelope(burst, 2000.0, half_width_hz=45.0)
    power = np.abs(envelope) ** 2
    middle = float((times * power).sum() / power.sum())
    assert middle == pytest.approx(start_s, abs=1e-3)  # a tenth of the envelope's sample interval


def test_a_band_does_not_hear_its_neighbour() -> None:
    x = np.cos(2 * np.pi * 500.0 * T) + np.cos(2 * np.pi * 560.0 * T)
    times, envelope, _ = _envelope(x, 500.0, half_width_hz=30.0)
    inside = (times > 0.15) & (times < 0.85)
    # Only the abrupt ends of the neighbour reach into the band.
    assert np.abs(envelope[inside]) == pytest.approx(1.0, abs=0.01)


def test_the_end_does_not_wrap_round_to_the_start() -> None:
    x = np.where(T > 0.9, np.cos(2 * np.pi * 700.0 * T), 0.0)
    times, envelope, _ = _envelope(x, 700.0, half_width_hz=10.0)
    assert times[-1] < 1.0
    assert np.abs(envelope[times < 0.3]).max() < 1e-3


def test_noise_in_a_band_has_the_power_that_its_bandwidth_says() -> None:
    rng = np.random.default_rng(5)
    x = rng.standard_normal(20 * RATE)
    bands = extract_bands(
        transform_strike(x, sample_rate_hz=RATE),
        centres_hz=np.arange(500.0, 7000.0, 250.0),
        half_width_hz=40.0,
    )
    density = 1.0 / (RATE / 2)  # mean square per Hz
    # |envelope|^2 is twice the mean square. 26 bands of 20 s at 30 Hz: 15000 free values, 0.8 %.
    measured = float(np.mean(np.abs(bands.envelopes) ** 2))
    assert measured == pytest.approx(2.0 * density * bands.noise_bandwidth_hz, rel=0.03)
    # Noise bandwidth of a raised cosine of half-width w is 3/4 w.
    assert bands.noise_bandwidth_hz == pytest.approx(30.0, rel=0.01)


def test_bands_beyond_the_spectrum_are_silent_there() -> None:
    bands = extract_bands(
        transform_strike(np.cos(2 * np.pi * 3000.0 * T), sample_rate_hz=RATE),
        centres_hz=np.array([1.0, 7999.0]),
        half_width_hz=20.0,
    )
    assert np.all(np.isfinite(bands.envelopes))
    assert np.abs(bands.envelopes).max() < 1e-3


@given(gain_db=st.floats(-60.0, 20.0))
def test_gain_scales_the_envelope(gain_db: float) -> None:
    x = np.cos(2 * np.pi * 440.0 * T) * np.exp(-3.0 * T)
    gain = 10.0 ** (gain_db / 20.0)
    _, plain, _ = _envelope(x, 440.0)
    _, louder, _ = _envelope(gain * x, 440.0)
    assert louder == pytest.approx(gain * plain, rel=1e-9, abs=1e-12 * gain)


def test_the_input_is_not_changed() -> None:
    x = np.cos(2 * np.pi * 440.0 * T)
    kept = x.copy()
    transform = transform_strike(x, sample_rate_hz=RATE)
    bins = transform.bins.copy()
    centres = np.array([440.0])
    extract_bands(transform, centres_hz=centres, half_width_hz=20.0)
    assert np.array_equal(x, kept)
    assert np.array_equal(transform.bins, bins)
    assert centres[0] == 440.0
