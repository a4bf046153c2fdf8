"""Backward integration: behaviour; the published checks are in tests/outside."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.results import Flag
from toneapp.signal.schroeder import backward_integral_db, reverberation_times


def test_curve_of_an_exponential_is_a_line_even_if_it_is_cut():
    t = np.arange(0, 2, 0.005)
    curve = backward_integral_db(t, 10 ** (-0.6 * t))
    np.testing.assert_allclose(curve, -6.0 * t, atol=0.05)


def test_curve_never_rises_where_the_power_beats():
    t = np.arange(0, 6, 0.005)
    power = 10 ** (-t) * (1 + 0.9 * np.cos(2 * np.pi * 1.5 * t))
    assert np.all(np.diff(backward_integral_db(t, power)) <= 1e-9)
    assert reverberation_times(t, power).t20_s == pytest.approx(6.0, rel=0.05)


def test_a_range_too_near_the_noise_is_not_measured():
    t = np.arange(0, 15, 0.005)
    times = reverberation_times(t, 10 ** (-0.6 * t) + 10**-3.0, noise_power=10**-3.0)
    assert times.edt_s == pytest.approx(10.0, rel=0.02)
    assert times.t20_s is None  # the noise lies 30 dB down, 35 are needed
    assert times.flags == (Flag.NOISE_HIDES_DECAY,)


def test_a_hold_cut_too_early_says_so():
    t = np.arange(0, 2, 0.005)
    times = reverberation_times(t, 10 ** (-0.6 * t))
    assert times.t20_s is None
    assert times.flags == (Flag.HOLD_TOO_SHORT,)


def test_noise_alone_gives_nothing():
    rng = np.random.default_rng(0)
    t = np.arange(0, 3, 0.01)
    times = reverberation_times(t, rng.exponential(size=t.size), noise_power=3.0)
    assert times.edt_s is None
    assert Flag.NOISE_HIDES_DECAY in times.flags


@pytest.mark.parametrize("power", [-np.ones(20), np.full(20, np.inf), np.ones(19), np.ones(4)])
def test_refuses_what_is_no_decay(power):
    with pytest.raises(ValueError, match="must"):
        reverberation_times(np.arange(20) * 0.01, power)
