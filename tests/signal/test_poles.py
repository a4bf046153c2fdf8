"""Decaying sinusoids taken apart, against sums of exponentials written down as formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toneapp.signal.poles import decaying_sinusoids

RATE_HZ = 28.0
TO_RATE = 3.0 * np.log(10.0)  # T60 times the decay rate of the amplitude


def envelope(
    *parts: tuple[float, float, float, float], length_s: float = 1.2, noise: float = 0.0
) -> np.ndarray:
    """Sum of sinusoids given by frequency in Hz, amplitude, T60 in s and phase."""
    t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    total = np.zeros(t.size, dtype=np.complex128)
    for hz, amplitude, t60_s, phase in parts:
        total += amplitude * np.exp((-TO_RATE / t60_s + 2j * np.pi * hz) * t + 1j * phase)
    rng = np.random.default_rng(2)
    pair = rng.standard_normal((2, t.size))
    return np.asarray(total + noise * np.sqrt(0.5) * (pair[0] + 1j * pair[1]))


@settings(max_examples=40, deadline=None)
@given(
    hz=st.floats(-7.0, 7.0), amplitude=st.floats(1e-4, 1.0), t60_s=st.floats(0.3, 12.0),
    phase=st.floats(0.0, 6.28),
)  # fmt: skip
def test_one_exponential_is_read_exactly(
    hz: float, amplitude: float, t60_s: float, phase: float
) -> None:
    found = decaying_sinusoids(
        envelope((hz, amplitude, t60_s, phase)), rate_hz=RATE_HZ, noise_power=0.0
    )
    assert found.hz == pytest.approx([hz], abs=1e-5)
    assert found.amplitude == pytest.approx([amplitude], rel=1e-5)
    assert found.rate_per_s == pytest.approx([TO_RATE / t60_s], rel=1e-4)


@pytest.mark.parametrize("apart_hz", [0.8, 1.5, 2.3])
@pytest.mark.parametrize("weaker_db", [0.0, 14.0])
def test_two_lines_closer_than_a_spectrum_can_part_are_told(
    apart_hz: float, weaker_db: float
) -> None:
    # A Hann window of 1.2 s has a main lobe 3.3 Hz wide (F. J. Harris, Proc. IEEE 66, 51, 1978).
    second = 10.0 ** (-weaker_db / 20.0)
    found = decaying_sinusoids(
        envelope((0.4, 1.0, 2.3, 0.3), (0.4 + apart_hz, second, 2.9, 2.0), noise=1e-3),
        rate_hz=RATE_HZ,
        noise_power=1e-6,
    )
    order = np.argsort(found.hz)
    assert found.hz[order] == pytest.approx([0.4, 0.4 + apart_hz], abs=0.05)
    assert found.amplitude[order] == pytest.approx([1.0, second], rel=0.06)
    assert TO_RATE / found.rate_per_s[order] == pytest.approx([2.3, 2.9], rel=0.1)


def test_three_lines_and_a_dying_note() -> None:
    parts = ((-1.8, 1.0, 1.7, 0.1), (0.0, 1.3, 2.3, 1.0), (2.3, 0.2, 2.4, 2.2))
    found = decaying_sinusoids(
        envelope(*parts, (-0.9, 5.0, 0.2, 0.5), noise=1e-3), rate_hz=RATE_HZ, noise_power=1e-6
    )
    slow = TO_RATE / found.rate_per_s > 1.0
    order = np.argsort(found.hz[slow])
    assert found.hz[slow][order] == pytest.approx([-1.8, 0.0, 2.3], abs=0.1)
    assert found.amplitude[slow][order] == pytest.approx([1.0, 1.3, 0.2], rel=0.15)


def test_what_grows_has_a_negative_rate() -> None:
    t = np.arange(30) / RATE_HZ
    found = decaying_sinusoids(np.exp(0.3 * t + 3j * t), rate_hz=RATE_HZ, noise_power=0.0)
    assert found.rate_per_s == pytest.approx([-0.3], abs=1e-6)


@pytest.mark.parametrize("size", [0, 1, 9])
def test_too_few_samples_tell_nothing(size: int) -> None:
    found = decaying_sinusoids(
        np.ones(size, dtype=np.complex128), rate_hz=RATE_HZ, noise_power=0.0
    )
    assert found.hz.size == found.rate_per_s.size == found.amplitude.size == 0


def test_silence_holds_nothing() -> None:
    found = decaying_sinusoids(
        np.zeros(30, dtype=np.complex128), rate_hz=RATE_HZ, noise_power=1e-9
    )
    assert found.hz.size == 0


def test_what_lies_below_the_noise_is_left_out() -> None:
    found = decaying_sinusoids(envelope((1.0, 1e-3, 2.0, 0.0)), rate_hz=RATE_HZ, noise_power=1e-4)
    assert found.hz.size == 0


def test_the_envelope_is_not_changed() -> None:
    z = envelope((1.0, 1.0, 2.0, 0.0))
    kept = z.copy()
    decaying_sinusoids(z, rate_hz=RATE_HZ, noise_power=0.0)
    assert np.array_equal(z, kept)
