"""The centroid against its closed form and against librosa's."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.brightness import measure_brightness

RATE = 48_000


def steady_partials(amplitudes, *, f1_hz=261.6256, seed=0):
    rng = np.random.default_rng(seed)
    numbers = np.arange(1, len(amplitudes) + 1)
    times = np.arange(RATE) / RATE
    sound = sum(
        a * np.sin(2 * np.pi * f1_hz * n * times + rng.uniform(0, 2 * np.pi))
        for n, a in zip(numbers, amplitudes, strict=True)
    )
    return 0.1 * sound, numbers, f1_hz * numbers


@pytest.mark.parametrize(
    ("count", "slope_db_per_oct", "expected"),
    [
        # sum(n a) / sum(a): 10 / H(10) and 20 / H(20) for amplitudes 1/n.
        (10, -6.0206, 3.4142),
        (20, -6.0206, 5.5590),
        # Sums for 30 partials falling by 9 and 12 dB per octave, worked out below.
        (30, -9.0309, None),
        (30, -12.0412, None),
    ],
)
def test_centroid_of_falling_partials(count, slope_db_per_oct, expected):
    numbers = np.arange(1, count + 1)
    amplitudes = 10 ** (slope_db_per_oct / 20 * np.log2(numbers))
    closed_form = float(np.sum(numbers * amplitudes) / np.sum(amplitudes))
    if expected is not None:
        assert closed_form == pytest.approx(expected, abs=1e-3)
    sound, partial_n, partial_hz = steady_partials(amplitudes)
    result = measure_brightness(
        sound,
        sample_rate_hz=RATE,
        onset_s=0.3,
        partial_hz=partial_hz,
        partial_n=partial_n,
        f1_hz=partial_hz[0],
    )
    # 2 % is the smallest change of a centroid that listeners notice (3 %, from memory), and some.
    assert result.centroid_hz / partial_hz[0] == pytest.approx(closed_form, rel=0.002)
    assert result.brightness == pytest.approx(np.log2(closed_form), abs=0.003)
    assert result.slope_db_per_oct == pytest.approx(slope_db_per_oct, abs=0.05)


def test_centroid_as_librosa_computes_it():
    import librosa

    sound, partial_n, partial_hz = steady_partials(np.arange(1, 21) ** -1.0, seed=3)
    size = round(0.2 * RATE)
    window = sound[round(0.3 * RATE) : round(0.3 * RATE) + size]
    expected = librosa.feature.spectral_centroid(
        y=window, sr=RATE, n_fft=size, hop_length=size, window="hann", center=False
    )[0, 0]
    result = measure_brightness(
        sound,
        sample_rate_hz=RATE,
        onset_s=0.3,
        partial_hz=partial_hz,
        partial_n=partial_n,
        f1_hz=partial_hz[0],
    )
    # librosa weighs every bin by its magnitude: equal lobes about the partials give the same sum,
    # the lobes' far skirts a little more.
    assert result.centroid_hz == pytest.approx(expected, rel=0.02)
