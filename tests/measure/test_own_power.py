"""What of a band is the note's own: tones made from formulas, and what falls in beside them."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.own_power import own_power

RATE_HZ = 160.0
T = np.arange(0.0, 2.4, 1 / RATE_HZ)
CENTRE_HZ = 1000.0


def own(z: np.ndarray, *, off_hz: float = 0.0) -> np.ndarray:
    """Own power of one band whose partial lies `off_hz` above the middle."""
    return own_power(
        z[None],
        rate_hz=RATE_HZ,
        centres_hz=np.array([CENTRE_HZ]),
        partial_hz=np.array([CENTRE_HZ + off_hz]),
    )[0]


@pytest.mark.parametrize("off_hz", [0.0, -7.0, 30.0])
@pytest.mark.parametrize("beat_hz", [0.4, 2.5])
@pytest.mark.parametrize("t60_s", [0.5, 8.0])
def test_a_beating_tone_is_left_as_it_is(off_hz: float, beat_hz: float, t60_s: float) -> None:
    z = np.exp(2j * np.pi * off_hz * T - 6.908 / t60_s * T)
    z = z * (1.0 + 0.8 * np.exp(2j * np.pi * beat_hz * T))
    held = T > 0.05  # the start of a sound out of nothing is no tone
    np.testing.assert_allclose(own(z, off_hz=off_hz)[held], np.abs(z[held]) ** 2, rtol=1e-9)


@pytest.mark.parametrize("damped_t60_s", [0.1, 0.2, 0.6])
def test_a_damper_is_neither_hastened_nor_delayed(damped_t60_s: float) -> None:
    z = np.exp(-6.908 / 6.0 * T - 6.908 / damped_t60_s * np.clip(T - 0.8, 0.0, None)) + 0j
    near = (T > 0.05) & ((T - 0.8) / damped_t60_s < 0.6)
    np.testing.assert_allclose(own(z)[near], np.abs(z[near]) ** 2, rtol=1e-9)


def test_a_voice_gliding_beside_the_partial_is_cut_off() -> None:
    # The voice is as loud as the tone was; it comes no nearer than 25 Hz.
    tone = np.where(T < 0.5, 1.0, np.exp(-6.908 / 0.2 * np.clip(T - 0.5, 0.0, None)))
    turn = 2 * np.pi * np.cumsum(25.0 + 30.0 * np.sin(2 * np.pi * 0.7 * T) ** 2) / RATE_HZ
    z = tone + np.where((T > 1.0) & (T < 2.0), np.exp(1j * turn), 0.0)
    kept = own(z)
    spoken = (T > 1.2) & (T < 1.8)
    assert 10 * np.log10(kept[spoken].mean()) < -15.0
    np.testing.assert_allclose(
        kept[(T > 0.05) & (T < 0.6)], np.abs(z[(T > 0.05) & (T < 0.6)]) ** 2
    )


def test_never_more_than_there_is() -> None:
    rng = np.random.default_rng(1)
    z = rng.standard_normal(T.size) + 1j * rng.standard_normal(T.size)
    kept = own(z)
    assert np.all(kept >= 0.0)
    assert np.all(kept <= np.abs(z) ** 2)
