from __future__ import annotations

import numpy as np
import pytest

from toneapp.signal.excerpt import checked_sound, cut_excerpt, excerpt_spectrum

RATE = 1000.0


def test_refuses_stereo_nan_and_rates_in_khz():
    with pytest.raises(ValueError, match="mono samples"):
        checked_sound(np.zeros((5, 2)), sample_rate_hz=48_000)
    with pytest.raises(ValueError, match="finite"):
        checked_sound(np.array([0.0, np.nan]), sample_rate_hz=48_000)
    with pytest.raises(ValueError, match="was this kHz"):
        checked_sound(np.zeros(5), sample_rate_hz=48)


def test_the_stretch_lies_where_it_was_asked_for():
    ramp = np.arange(1000.0)
    excerpt = cut_excerpt(ramp, sample_rate_hz=RATE, start_s=0.2, duration_s=0.1)
    np.testing.assert_array_equal(excerpt.samples, ramp[200:300])
    assert excerpt.window_energy == 100
    assert excerpt.covered_s == pytest.approx(0.1)


def test_fades_reach_from_nothing_to_all_and_leave_the_middle_alone():
    excerpt = cut_excerpt(
        np.ones(1000),
        sample_rate_hz=RATE,
        start_s=0.2,
        duration_s=0.1,
        lead_in_s=0.02,
        fade_out_s=0.03,
    )
    assert excerpt.samples.size == 120
    np.testing.assert_allclose(excerpt.samples[20:90], 1.0)
    assert np.all(np.diff(excerpt.samples[:20]) > 0)
    assert np.all(np.diff(excerpt.samples[90:]) < 0)
    assert excerpt.samples[0] < 0.05
    assert excerpt.samples[-1] < 0.05


def test_what_the_recording_does_not_hold_is_silence():
    excerpt = cut_excerpt(
        np.ones(100), sample_rate_hz=RATE, start_s=0.05, duration_s=0.1, lead_in_s=0.1
    )
    assert excerpt.samples.size == 200
    np.testing.assert_array_equal(excerpt.samples[:50], 0.0)
    np.testing.assert_array_equal(excerpt.samples[150:], 0.0)
    assert excerpt.covered_s == pytest.approx(0.05)


def test_nothing_after_the_end_is_used_and_the_fade_ends_there():
    excerpt = cut_excerpt(
        np.ones(1000),
        sample_rate_hz=RATE,
        start_s=0.1,
        duration_s=0.5,
        fade_out_s=0.05,
        end_s=0.3,
    )
    np.testing.assert_array_equal(excerpt.samples[200:], 0.0)
    assert 0.0 < excerpt.samples[199] < 0.05


def test_an_excerpt_outside_the_recording_is_empty():
    excerpt = cut_excerpt(np.ones(100), sample_rate_hz=RATE, start_s=5.0, duration_s=0.1)
    assert excerpt.window_energy == 0.0
    assert excerpt.covered_s == 0.0


@pytest.mark.parametrize("size", [1000, 1001])
def test_spectrum_sums_to_the_mean_square(size):
    sound = np.random.default_rng(1).standard_normal(size)
    excerpt = cut_excerpt(sound, sample_rate_hz=RATE, start_s=0.0, duration_s=size / RATE)
    spectrum = excerpt_spectrum(excerpt)
    # Parseval's theorem: only rounding may differ.
    assert np.sum(spectrum.power) == pytest.approx(np.mean(sound**2), rel=1e-12)
