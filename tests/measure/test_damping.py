"""Ring levels of powers made from formulas."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.damping import measure_damping
from toneapp.results import Flag

RELEASE_S = 1.0


def after_release(t, *, damped_t60_s, natural_t60_s=8.0, ring_db=None, ring_t60_s=3.0):
    natural = 10 ** (-6 * t / natural_t60_s)
    since = np.clip(t - RELEASE_S, 0, None)
    power = natural * 10 ** (-6 * since / damped_t60_s)
    if ring_db is not None:
        power = power + natural[t <= RELEASE_S][-1] * 10 ** (
            (ring_db - 60 * since / ring_t60_s) / 10
        ) * (t > RELEASE_S)
    return power


def measured(t, power, *, noise=1e-9, **options):
    return measure_damping(
        t,
        (power + noise)[None],
        noise_power=np.array([noise]),
        release_s=RELEASE_S,
        t_end_s=float(t[-1]),
        **options,
    )


def test_ring_levels():
    t = np.arange(0, 3.0, 0.004)
    power = after_release(t, damped_t60_s=0.1, natural_t60_s=1e6, ring_db=-30.0, ring_t60_s=3.0)
    damping = measured(t, power)
    # -30 dB falling by 20 dB/s, re the level just before the release
    assert damping.ring_levels_db == pytest.approx([-36.0, -40.0, -50.0], abs=0.5)
    assert damping.ring_levels_are_limits == (False, False, False)


def test_noise_makes_limits_of_them():
    rng = np.random.default_rng(5)
    t = np.arange(0, 3.0, 0.008)
    power = after_release(t, damped_t60_s=0.2, natural_t60_s=1e6)
    noise = rng.normal(size=t.size) + 1j * rng.normal(size=t.size)
    noisy = np.abs(np.sqrt(power) + np.sqrt(0.5e-3) * noise) ** 2
    damping = measure_damping(
        t,
        noisy[None],
        noise_power=np.array([1e-3]),
        release_s=RELEASE_S,
        t_end_s=3.0,
    )
    # The noise lies at -30 dB: whatever is said of the level, it is not far below that.
    assert damping.ring_levels_are_limits[2]
    assert all(-36.0 < level < -24.0 for level in damping.ring_levels_db)
    assert Flag.NOISE_HIDES_RING in damping.flags
    assert damping.time_to_noise_s == pytest.approx(0.1, abs=0.06)


def test_a_sound_weaker_than_half_the_noise_is_a_limit():
    t = np.arange(0, 3.0, 0.008)
    power = after_release(t, damped_t60_s=0.2, natural_t60_s=1e6)
    # After 1 s all that is left is 0.2 of the noise: more than nothing, less than can be told.
    left = np.where(t > RELEASE_S + 0.4, 0.2e-3, 0.0)
    damping = measured(t, power + left, noise=1e-3)
    assert damping.ring_levels_are_limits[1:] == (True, True)
    assert damping.ring_levels_db[2] == pytest.approx(10 * np.log10(0.5e-3), abs=0.1)


def test_what_lies_behind_the_end_is_not_known():
    t = np.arange(0, 1.45, 0.008)
    damping = measured(t, after_release(t, damped_t60_s=0.3))
    assert damping.ring_levels_db[0] is not None
    assert damping.ring_levels_db[1:] == (None, None)
    assert Flag.CUT_SHORT in damping.flags


def test_a_note_already_in_the_noise_is_not_measured():
    t = np.arange(0, 3.0, 0.008)
    damping = measured(t, after_release(t, damped_t60_s=0.3), noise=1.0)
    assert damping.ring_levels_db == (None, None, None)
    assert damping.flags == (Flag.NOISE_HIDES_RING,)


def test_a_record_that_ends_at_the_release_gives_nothing():
    t = np.arange(0, 1.02, 0.008)
    damping = measured(t, after_release(t, damped_t60_s=0.3))
    assert damping.ring_levels_db == (None, None, None)
    assert Flag.CUT_SHORT in damping.flags
