from __future__ import annotations

import numpy as np
import pytest

from toneapp.signal.weighting import (
    a_weighting_response,
    apply_response,
    k_weighting_response,
)


def test_no_direct_voltage_passes():
    assert abs(a_weighting_response([0.0])[0]) == 0.0
    assert abs(k_weighting_response([0.0])[0]) < 1e-9


def test_k_weighting_keeps_its_value_above_24_khz():
    at_edge, above = k_weighting_response([24_000.0, 60_000.0])
    assert above == at_edge


@pytest.mark.parametrize("response", [a_weighting_response, k_weighting_response])
def test_filtering_does_not_wrap_the_end_round_to_the_start(response):
    rate = 48_000
    sound = np.zeros(rate)
    sound[-2000:] = np.random.default_rng(2).standard_normal(2000)
    filtered = apply_response(sound, sample_rate_hz=rate, response=response)
    # Cut off at half the rate, the responses ring a little to both sides, by 1/time.
    assert np.max(np.abs(filtered[: rate // 2])) < 1e-4 * np.max(np.abs(filtered))


def test_k_weighting_equals_the_recursive_filter_in_time():
    from scipy.signal import sosfilt

    sound = np.random.default_rng(3).standard_normal(24_000)
    shelf_a = (-1.69065929318241, 0.73248077421585)
    tables = [
        [*(1.53512485958697, -2.69169618940638, 1.19839281085285), 1, *shelf_a],
        [1, -2, 1, 1, -1.99004745483398, 0.99007225036621],
    ]
    filtered = apply_response(sound, sample_rate_hz=48_000, response=k_weighting_response)
    # The high-pass has fallen by 400 dB within the padding of 0.2 s.
    np.testing.assert_allclose(filtered, sosfilt(tables, sound), atol=1e-9)


def test_filtering_leaves_its_input_alone():
    sound = np.ones(100)
    apply_response(sound, sample_rate_hz=8_000, response=a_weighting_response)
    np.testing.assert_array_equal(sound, 1.0)
